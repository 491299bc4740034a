"""A number the data cannot give: refused in words."""


class Refused(ValueError):
    """Raised in place of an answer; the message says why, for the person who asked.

    Examples
    --------
    >>> str(Refused("fewer than 20 birds were seen again"))
    'fewer than 20 birds were seen again'
    """
