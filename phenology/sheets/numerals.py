"""Numbers as field sheets write them: decimal commas, trailing units, full-width digits."""

import re
import unicodedata

from phenology.sheets.clock import Ambiguous, Unreadable

# Factor to the canonical unit named second.
UNIT_FACTORS: dict[tuple[str, str], float] = {
    ("in", "mm"): 25.4,
    ("inch", "mm"): 25.4,
    ("inches", "mm"): 25.4,
    ('"', "mm"): 25.4,
    ("cm", "mm"): 10.0,
    ("m", "mm"): 1000.0,
    ("oz", "g"): 28.349523125,
    ("ounces", "g"): 28.349523125,
    ("kg", "g"): 1000.0,
    ("mg", "g"): 0.001,
    ("ft", "m"): 0.3048,
    ("feet", "m"): 0.3048,
    ("km", "m"): 1000.0,
    ("in", "cm"): 2.54,
    ("mph", "km/h"): 1.609344,
    ("m/s", "km/h"): 3.6,
    ("km", "km"): 1.0,
    ("h", "min"): 60.0,
    ("ha", "m2"): 10000.0,
}
_SPELLINGS = {
    "grams": "g", "gram": "g", "gr": "g", "gm": "g", "gms": "g", "millimetres": "mm",
    "millimeters": "mm", "minutes": "min", "mins": "min", "metres": "m", "meters": "m",
    "degc": "degrees C", "°c": "degrees C", "c": "degrees C", "kph": "km/h", "m²": "m2",
    "mg sugar": "mg sugar", "l/day": "L/day", "°": "degrees", "deg": "degrees", "kmh": "km/h",
    "\u2033": "in", "''": "in", "pounds": "lb",
}  # fmt: skip
_NUMBER = re.compile(r"([+-]?)(\d[\d.,' \u00a0\u202f]*|[.,]\d+)(?:e([+-]?\d{1,2}))?\s*(.*)")


def unit_factor(written: str, unit: str) -> float | None:
    """Factor that turns a number in a unit as written into the canonical unit, if known.

    Examples
    --------
    >>> unit_factor("inches", "mm"), unit_factor("Grams", "g"), unit_factor("oz", "mm")
    (25.4, 1.0, None)
    """
    plain = written.strip().rstrip(".").casefold()
    plain = _SPELLINGS.get(plain, plain)
    if plain == unit.casefold() or unit.casefold().startswith((plain + " ", plain + "s")):
        return 1.0
    return UNIT_FACTORS.get((plain, unit))


def parse_number(text: str, unit: str = "", limits: tuple[float, float] | None = None) -> float:
    """Read a number as written.

    Parameters
    ----------
    text : str
    unit : str, optional
        The column's unit; a number that carries another known unit is converted.
    limits : tuple of float, optional
        What the column can hold; it decides whether 1,234 has a decimal comma.

    Returns
    -------
    float
        In the column's unit.

    Raises
    ------
    Ambiguous
        If a comma may part thousands or decimals.
    Unreadable
        If the text is no number, or is in a unit that the column does not know.

    Examples
    --------
    >>> parse_number("45,5"), parse_number("3.4g", "g"), parse_number("1,234.5")
    (45.5, 3.4, 1234.5)
    >>> parse_number("0.12 oz", "g")
    3.402
    """
    plain = unicodedata.normalize("NFKC", text).strip().casefold().replace("\u2212", "-")
    found = _NUMBER.fullmatch(plain)
    if found is None:
        raise Unreadable("is no number")
    sign, digits, power, written_unit = found.groups()
    factor = unit_factor(written_unit, unit) if written_unit else 1.0
    if factor is None:
        raise Unreadable(f"is no number in {unit}" if unit else "is no number")
    number = _plain_number(digits.strip(), limits) * 10.0 ** int(power or 0) * factor
    if not abs(number) < 1e15:
        raise Unreadable("is no number")
    number = float(f"{number:.12g}") if factor == 1.0 else round(number, 3)
    return -number if sign == "-" else number


def _plain_number(digits: str, limits: tuple[float, float] | None) -> float:
    digits = re.sub(r"(?<=\d)[' \u00a0\u202f](?=\d{3}(\D|$))", "", digits)
    points, commas = digits.count("."), digits.count(",")
    if points and commas:
        decimal = max(".", ",", key=digits.rfind)
        grouped = "," if decimal == "." else "."
        digits = digits.replace(grouped, "").replace(decimal, ".")
    elif commas == 1 and re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits):
        return _decide_comma(digits, limits)
    elif commas == 1:
        digits = digits.replace(",", ".")
    elif commas > 1 and re.fullmatch(r"\d{1,3}(,\d{3})+", digits):
        digits = digits.replace(",", "")
    try:
        return float(digits)
    except ValueError:
        raise Unreadable("is no number") from None


def _decide_comma(digits: str, limits: tuple[float, float] | None) -> float:
    decimal, thousands = float(digits.replace(",", ".")), float(digits.replace(",", ""))
    low, high = limits or (float("-inf"), float("inf"))
    fits = [value for value in (decimal, thousands) if low <= value <= high]
    if len(fits) != 1:
        raise Ambiguous(f"can be {decimal:g} or {thousands:g}")
    return fits[0]
