"""Errors that reach people: what is wrong, where, what was expected, what to do."""


class StudyError(Exception):
    """Something the user can mend. Shown as one message, exit code 2.

    Parameters
    ----------
    what : str
        What is wrong and where, one sentence.
    remedy : str, optional
        What to do about it, one sentence.

    Examples
    --------
    >>> str(StudyError("sites.csv has no column 'latitude'.", "Add it, in decimal degrees."))
    "sites.csv has no column 'latitude'. Add it, in decimal degrees."
    """

    def __init__(self, what: str, remedy: str = "") -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(f"{what} {remedy}".strip())
