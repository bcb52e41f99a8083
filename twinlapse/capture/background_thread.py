"""A thread that works until it is told to stop."""

from __future__ import annotations

import threading

__all__ = ["BackgroundThread"]


class BackgroundThread:
    """Runs `_run` beside the rest; `_run` ends soon after `_stopped` is set.

    Parameters
    ----------
    name : str
    join_s : float
        How long `stop` waits for the end.
    """

    def __init__(self, name: str, *, join_s: float = 3.0) -> None:
        self._stopped = threading.Event()
        self._join_s = join_s
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; harmless where it has not begun."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join(self._join_s)

    def _run(self) -> None:
        raise NotImplementedError
