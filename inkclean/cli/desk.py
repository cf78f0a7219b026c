"""The command ``desk``: the local page for pen, finger and mouse."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import click

from inkclean.base.errors import UsageError

_NEEDS = ("starlette", "uvicorn", "segno")


@click.command()
@click.argument(
    "folder", metavar="[FOLDER]", default=".", type=click.Path(path_type=Path, file_okay=False)
)
@click.option(
    "--lan",
    is_flag=True,
    help="Let a tablet on the same network open the desk: prints the address and a QR code.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    show_default=True,
    help="Port of the desk; 0 takes a free one.",
)
@click.option("--no-browser", is_flag=True, help="Print the address and do not open a browser.")
def desk(folder: Path, lan: bool, port: int, no_browser: bool) -> None:
    """Open the desk: do the whole job by eye and hand, in a browser.

    Photos, tickets and all edits stay in FOLDER.
    """
    missing = [name for name in _NEEDS if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(f"the desk needs {', '.join(missing)}: run pip install 'inkclean[desk]'")
    from inkclean.desk.web.serve import serve

    def show(address: str) -> None:
        if not no_browser and not lan:
            import webbrowser

            webbrowser.open(address)

    folder.mkdir(parents=True, exist_ok=True)
    serve(folder.resolve(), lan=lan, port=port, say=click.echo, opened=show)
