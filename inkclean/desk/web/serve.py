"""The desk on a socket: which address, who can reach it, and until when."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType

import uvicorn

from inkclean.base.errors import OutputError
from inkclean.desk.config import Config
from inkclean.desk.web.app import create_app

_LOCAL = "127.0.0.1"


def serve(
    folder: Path,
    *,
    lan: bool,
    port: int,
    say: Callable[[str], None],
    opened: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve the desk of ``folder`` until it is stopped; ``opened`` hears the address.

    Raises:
        OutputError: the folder or the port cannot be used, or another desk has the folder.
    """
    with _locked(folder), _bind("0.0.0.0" if lan else _LOCAL, port) as bound:  # noqa: S104
        number = bound.getsockname()[1]
        name = _own_address() if lan else _LOCAL
        names = {name, _LOCAL, "localhost"}
        config = Config(folder, frozenset(f"{host}:{number}" for host in names))
        address = f"http://{name}:{number}/{config.token}/"
        for line in _lines(address, lan):
            say(line)
        settings = uvicorn.Config(
            create_app(config),
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=3,
        )
        threading.Timer(0.3, opened, [address]).start()
        with suppress(KeyboardInterrupt):
            _Server(settings, config).run(sockets=[bound])


class _Server(uvicorn.Server):
    """The server; who listens to events is let go as soon as it shall stop."""

    def __init__(self, settings: uvicorn.Config, config: Config) -> None:
        super().__init__(settings)
        self._desk = config

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Begin to stop."""
        self._desk.ending.set()
        super().handle_exit(sig, frame)


def _lines(address: str, lan: bool) -> list[str]:
    lines = [f"The desk is at {address}"]
    if lan:
        import io

        import segno

        drawn = io.StringIO()
        segno.make(address, micro=False).terminal(out=drawn, compact=True, border=2)
        lines.append(drawn.getvalue().rstrip("\n"))
        lines.append(
            "Anyone on this network who has this address can see and change the pages in this "
            "folder. Nobody else can. Data on the network is not encrypted."
        )
    lines.append("Stop it with Ctrl-C; nothing is lost.")
    return lines


def _bind(host: str, port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((host, port))
        bound.listen(64)  # who comes before the server is up waits in the line
    except OSError as error:
        bound.close()
        raise OutputError(
            f"port {port} is not available ({error.strerror}); leave --port out to get a free one"
        ) from error
    return bound


def _own_address() -> str:
    """Return this machine's address on its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return _LOCAL


def _locked(folder: Path) -> _Lock:
    try:
        own = folder / ".desk"
        own.mkdir(parents=True, exist_ok=True)
        return _Lock(own / "lock")
    except OSError as error:
        why = error.strerror or str(error)
        raise OutputError(f"{folder} cannot be used ({why}); choose another folder") from error


class _Lock:
    """Held while a desk works in a folder; the system lets go of it when the process ends."""

    def __init__(self, path: Path) -> None:
        self._handle = path.open("a")
        try:
            import fcntl
        except ImportError:  # a system without it: two desks are not kept apart
            return
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self._handle.close()
            raise OutputError(
                f"another desk is open in {path.parent.parent}; use its address, or stop it first"
            ) from None

    def __enter__(self) -> _Lock:
        """Hold the folder."""
        return self

    def __exit__(self, *error: object) -> None:
        """Let go."""
        self._handle.close()
