"""Who may ask: the token, the Host, the Origin and the browser's own word on where it asks from."""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import urlsplit

from inkclean.desk.config import Config

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    ("content-security-policy", POLICY),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", "geolocation=(), microphone=(), payment=()"),
)
_READS = ("GET", "HEAD")


class Guard:
    """ASGI layer in front of the app: refuses what is not meant for it, counts the bytes sent.

    The address is ``/TOKEN/…``; the app behind it sees the path without the token.
    """

    def __init__(self, app: App, config: Config) -> None:
        self._app = app
        self._config = config

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in _own(scope)}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        inner = dict(scope)
        inner["path"] = "/" + scope["path"].split("/", 2)[2]
        inner["raw_path"] = inner["path"].encode()
        inner["root_path"] = ""
        limit = self._config.words_bytes
        if inner["path"] == "/api/photos":
            limit = self._config.photo_bytes
        if _length(headers) > limit:
            await _answer(send, 413, f"too large: at most {limit // 1_000_000} MB")
            return
        await self._app(inner, _counted(receive, limit), _with_headers(send))

    def _refusal(self, scope: Message, headers: dict[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if host not in self._config.hosts:
            return 421, "this is not the desk's address; use the one it printed"
        parts = scope["path"].split("/", 2)
        token = parts[1].encode("utf-8", "replace") if len(parts) > 2 else b""
        if not secrets.compare_digest(token, self._config.token.encode()):
            return 403, "the address is incomplete; use the whole address printed"
        site = headers.get("sec-fetch-site", "same-origin")
        opened = scope["method"] in _READS and headers.get("sec-fetch-mode") == "navigate"
        if site not in ("same-origin", "none") and not opened:
            return 403, "another site asked for this"
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != host:
            return 403, "another site asked for this"
        if scope["method"] not in _READS and origin is None and site == "none":
            return 403, "only the desk's own page can change this"
        return None


class TooLargeError(Exception):
    """More bytes came than are taken."""


def _counted(receive: Receive, limit: int) -> Receive:
    taken = 0

    async def counted() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > limit:
            raise TooLargeError
        return message

    return counted


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            found = list(message.get("headers", []))
            found += [(name.encode(), value.encode()) for name, value in HEADERS]
            message["headers"] = found
        await send(message)

    return sent


def _own(scope: Message) -> list[tuple[bytes, bytes]]:
    found: list[tuple[bytes, bytes]] = scope["headers"]
    return found


def _length(headers: dict[str, str]) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isdecimal() else 0


async def _answer(send: Send, status: int, text: str) -> None:
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    headers.append((b"content-length", str(len(body)).encode()))
    start = {"type": "http.response.start", "status": status, "headers": headers}
    await _with_headers(send)(start)
    await send({"type": "http.response.body", "body": body})
