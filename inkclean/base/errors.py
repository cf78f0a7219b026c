"""What the tool says when it cannot go on: one line and an exit code (0, 2, 3 or 4)."""

# set to anything, faults of the program are shown in full
TRACE = "INKCLEAN_TRACE"


def fault(error: Exception) -> str:
    """Return what is said of an error nobody foresaw, on one line."""
    what = " ".join(f"{type(error).__name__}: {error}".split())
    return printable(
        f"unexpected error ({what}); please report it ({TRACE}=1 shows where it happened)"
    )


def printable(text: str) -> str:
    """Return the text on one line, any character that cannot be shown as its escape.

    Names of files may hold line ends, codes that colour the screen, or bytes that are no text.
    """
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )


class InkcleanError(Exception):
    """A foreseeable failure: says what, which file and what to do, in one line."""

    exit_code = 1

    def __init__(self, text: str) -> None:
        super().__init__(printable(text))


class InputError(InkcleanError):
    """An input could not be read or used."""

    exit_code = 3


class UsageError(InkcleanError):
    """The command is wrong: an option's value, or options that exclude each other."""

    exit_code = 2


class OutputError(InkcleanError):
    """A result could not be written, or already exists and may not be replaced."""

    exit_code = 3
