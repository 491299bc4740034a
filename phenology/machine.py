"""What kind of machine computed: numbers repeat digit for digit only on one of the same kind."""

import platform


def machine_kind() -> str:
    """System, processor and the widest instructions that its sums are made with.

    Libraries choose these for the processor they find. Wider ones add in another order, so that
    last digits differ; a search or a draw may then take another way.

    Examples
    --------
    >>> machine_kind().startswith(platform.system())
    True
    """
    from numpy.lib import introspect

    (chosen,) = introspect.opt_func_info(func_name="^add$", signature="float64")["add"].values()
    return f"{platform.system()} {platform.machine()}, {chosen['current']}"
