"""Errors that a builder can mend: one line, no traceback."""


class InputError(ValueError):
    """Say what is wrong with a file or an option, where, and how to mend it.

    The text is one whole sentence; the command line prints it after ``preburn: ``
    and ends with exit status 2.
    """
