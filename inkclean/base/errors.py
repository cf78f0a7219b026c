"""What the tool says when it cannot go on: one line, and an exit code of the design."""

# set to anything, faults of the program are shown in full
TRACE = "INKCLEAN_TRACE"


def fault(error: Exception) -> str:
    """Return what is said of a fault of the program itself, on one line."""
    what = " ".join(f"{type(error).__name__}: {error}".split())
    return printable(f"a fault of the program ({what}): report it; {TRACE}=1 shows where")


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
    """The words of the command are off: an option's value, options that exclude each other."""

    exit_code = 2


class OutputError(InkcleanError):
    """A result could not be written, or stands there already and may not be replaced."""

    exit_code = 3
