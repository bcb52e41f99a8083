"""HTTP authentication of cameras: Basic (RFC 7617) and Digest (RFC 7616)."""

from __future__ import annotations

import base64
import hashlib
import re
import secrets
from dataclasses import dataclass, field

__all__ = ["Login"]

_PAIR = re.compile(r'(\w+)\s*=\s*(?:"((?:[^"\\]|\\.)*)"|([^\s,]+))')
_ALGORITHMS = {"MD5": "md5", "SHA-256": "sha256"}


@dataclass(slots=True)
class Login:
    """A name and a password, and what the camera asked for.

    Answers nothing until the camera has challenged: a password never goes out in the clear to a camera that
    knows Digest.
    """

    name: str
    password: str
    _challenge: dict[str, str] = field(default_factory=dict)
    _basic: bool = False
    _count: int = 0

    def challenge(self, headers: list[str]) -> bool:
        """Take in the ``WWW-Authenticate`` headers of a 401; return whether another try makes sense."""
        before, self._count = dict(self._challenge), 0
        for header in headers:
            kind, _, rest = header.strip().partition(" ")
            if kind.lower() != "digest":
                continue
            pairs = {key.lower(): quoted or bare for key, quoted, bare in _PAIR.findall(rest)}
            algorithm = pairs.get("algorithm", "MD5").upper().removesuffix("-SESS")
            if algorithm in _ALGORITHMS and "nonce" in pairs and "realm" in pairs:
                self._challenge, self._basic = pairs, False
                stale = pairs.get("stale", "").lower() == "true"
                return not before or stale or before.get("nonce") != pairs["nonce"]
        if any(header.strip().lower().startswith("basic") for header in headers) and not self._basic:
            self._challenge, self._basic = {}, True
            return True
        return False

    def header(self, method: str, target: str) -> str | None:
        """Return the Authorization header of a request, None while nothing was asked for."""
        if self._basic:
            words = f"{self.name}:{self.password}".encode()
            return "Basic " + base64.b64encode(words).decode()
        return self._digest(method, target, secrets.token_hex(8)) if self._challenge else None

    def _digest(self, method: str, target: str, cnonce: str) -> str:
        asked = self._challenge
        algorithm = asked.get("algorithm", "MD5")
        session = algorithm.upper().endswith("-SESS")
        kind = _ALGORITHMS[algorithm.upper().removesuffix("-SESS")]

        def digest(text: str) -> str:
            return hashlib.new(kind, text.encode(), usedforsecurity=False).hexdigest()

        self._count += 1
        count, nonce = f"{self._count:08x}", asked["nonce"]
        secret = digest(f"{self.name}:{asked['realm']}:{self.password}")
        if session:
            secret = digest(f"{secret}:{nonce}:{cnonce}")
        request = digest(f"{method}:{target}")
        qop = "auth" if "auth" in [word.strip() for word in asked.get("qop", "").split(",")] else ""
        middle = f"{nonce}:{count}:{cnonce}:{qop}" if qop else nonce
        fields = {
            "username": self.name,
            "realm": asked["realm"],
            "nonce": nonce,
            "uri": target,
            "response": digest(f"{secret}:{middle}:{request}"),
        }
        if "opaque" in asked:
            fields["opaque"] = asked["opaque"]
        if qop or session:
            fields["cnonce"] = cnonce
        text = ", ".join(f'{key}="{value}"' for key, value in fields.items())
        text += f", algorithm={algorithm}" if "algorithm" in asked else ""
        return f"Digest {text}" + (f", qop={qop}, nc={count}" if qop else "")
