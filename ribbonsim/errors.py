"""The one error ribbonsim raises at its doors."""


class RibbonsimError(Exception):
    """Input that cannot be used.

    The message is one sentence that says what is wrong, where (the path, and the line where
    there is one) and what to do about it.
    """
