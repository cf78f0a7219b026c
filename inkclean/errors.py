"""What the tool says when it cannot go on: one line, and an exit code of the design."""


class InkcleanError(Exception):
    """A foreseeable failure: says what, which file and what to do, in one line."""

    exit_code = 1


class InputError(InkcleanError):
    """An input could not be read or used."""

    exit_code = 3


class UsageError(InkcleanError):
    """The words of the command are off: an option's value, options that exclude each other."""

    exit_code = 2


class OutputError(InkcleanError):
    """A result could not be written, or stands there already and may not be replaced."""

    exit_code = 3
