"""The command line: one group, a module a command."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from inkclean import __version__
from inkclean.base.errors import TRACE, InkcleanError, fault
from inkclean.cli.clean import clean
from inkclean.cli.demo import demo
from inkclean.cli.desk import desk
from inkclean.cli.flats import flats
from inkclean.cli.press import press
from inkclean.cli.recolour import recolour


class Commands(click.Group):
    """The command group: every foreseeable failure is one line and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn the package's errors into one line and their exit code."""
        try:
            return super().invoke(ctx)
        except InkcleanError as error:
            click.echo(f"inkclean: {error}", err=True)
            sys.exit(error.exit_code)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except BrokenPipeError:
            _end_quietly()
        except Exception as error:
            if os.environ.get(TRACE):
                raise
            click.echo(f"inkclean: {fault(error)}", err=True)
            sys.exit(InkcleanError.exit_code)


# What the shell says of a program that ended because nobody read on: 128 + SIGPIPE (POSIX).
NOBODY_READS = 141


def _end_quietly() -> None:
    """End quietly when the reader has gone, as in ``inkclean … | head``."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(nowhere, stream.fileno())  # what lies in their buffers goes there at the end
    sys.exit(NOBODY_READS)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="inkclean")
def main() -> None:
    """From a photo of an inked page: clean ink, curves, flats and print files.

    Work on pages that you have the right to use.
    """
    # Work is shared out in parts (base/tiles.py): sums within a part are no thread's work again.
    # It counts for numpy, which commands load, and for processes that they start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


for _command in (clean, flats, recolour, press, demo, desk):
    main.add_command(_command)


if __name__ == "__main__":
    main()
