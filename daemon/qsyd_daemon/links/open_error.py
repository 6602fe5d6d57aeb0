"""Why a link could not be opened."""


class OpenError(Exception):
    """The link cannot be opened now; the text says what, where and what would help, for the operator."""
