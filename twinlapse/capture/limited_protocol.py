"""Connections that may neither idle nor dribble, and of which one address gets only a few.

Reference: OWASP Denial of Service Cheat Sheet (slow HTTP). The head of a request is bounded
by the access policy, the number of connections by the server.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["ANSWER_S", "MOST_A_PEER", "REQUEST_S", "LimitedProtocol"]

MOST_A_PEER = 16  # connections of one address; a page with two live pictures holds up to six
REQUEST_S = 10.0  # for a request to arrive in full (common practice, no source)
ANSWER_S = 150.0  # for an answer to be made and taken: a dwell can be two minutes
_LOOK_S = 1.0  # between two looks at one connection


class LimitedProtocol(H11Protocol):
    """One connection; aborted when it keeps its slot without using it."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Count the connections of this address and begin to watch this one."""
        super().connection_made(transport)
        self._standing: tuple[Any, ...] = ()
        self._since_s = self.loop.time()
        if self.client is not None and self._of_peer() > MOST_A_PEER:
            transport.abort()
            return
        self._look()

    def _of_peer(self) -> int:
        assert self.client is not None
        peers = (getattr(one, "client", None) for one in self.connections)
        return sum(peer is not None and peer[0] == self.client[0] for peer in peers)

    def _look(self) -> None:
        if self.transport.is_closing():
            return
        cycle = self.cycle
        answering = cycle is not None and not cycle.response_complete
        receiving = answering and cycle.more_body
        standing, now_s = (id(cycle), answering, receiving), self.loop.time()
        if standing != self._standing:
            self._standing, self._since_s = standing, now_s
        if now_s - self._since_s > (ANSWER_S if answering and not receiving else REQUEST_S):
            self.transport.abort()
            return
        self.loop.call_later(_LOOK_S, self._look)
