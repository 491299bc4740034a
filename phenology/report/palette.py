"""One hue, one line and one shape a role, used in every figure, on paper and on dark screens.

Figures carry the colours of the light column, so that a chart shown alone in a notebook is
right. The report replaces each by a CSS variable of the same name, and one style sheet then
serves light, dark and print.

Umber and petrol differ for every common kind of colour blindness and in grey print, and
neither is a colour by which range maps mark seasons.
"""

from typing import Any

# name: (on light ground and paper, on dark ground). The light values are unique.
COLOURS = {
    "local": ("#87501d", "#e0a878"),
    "passage": ("#06535d", "#58c4cf"),
    "mixed": ("#707277", "#b9bdc4"),
    "ink": ("#23262a", "#e7e9ec"),
    "soft": ("#595e65", "#a7adb5"),
    "rule": ("#d5d8db", "#3d434a"),
    "paper": ("#fdfdfb", "#17191c"),
    "wash": ("#f1f1ed", "#212428"),
    "doubt": ("#8a3350", "#ee9ab4"),
}

ROLE_ORDER = ("local", "passage", "mixed")
DASHES = {"local": [1, 0], "passage": [6, 3], "mixed": [1.5, 2.5]}
SHAPES = {"local": "square", "passage": "circle", "mixed": "diamond"}

FONT = '"Source Sans 3", "Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif'


def light(name: str) -> str:
    """Colour of a name on light ground."""
    return COLOURS[name][0]


def css_variables() -> str:
    """The palette as CSS: light for paper and by default, dark for screens that ask for it."""
    light = "".join(f"--{name}:{colour};" for name, (colour, _) in COLOURS.items())
    dark = "".join(f"--{name}:{colour};" for name, (_, colour) in COLOURS.items())
    return (
        f":root{{color-scheme:light;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{color-scheme:dark;{dark}}}}}\n"
    )


def theme() -> dict[str, Any]:
    """Vega-Lite configuration of every figure: thin rules, no frame, text in ink."""
    text = {"labelColor": light("soft"), "titleColor": light("soft"), "titleFontWeight": "normal"}
    return {
        "background": light("paper"),
        "font": FONT,
        "view": {"stroke": None},
        "axis": {
            **text,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "domainColor": light("rule"),
            "gridColor": light("rule"),
            "gridOpacity": 0.7,
            "tickColor": light("rule"),
            "labelLimit": 220,
        },
        "axisX": {"labelOverlap": "greedy", "labelSeparation": 8},
        "header": {
            "labelColor": light("ink"),
            "labelFontSize": 13,
            "labelFontWeight": 600,
            "labelLimit": 600,
        },
        "legend": {
            **text,
            "orient": "top",
            "labelFontSize": 12,
            "titleFontSize": 12,
            "symbolSize": 90,
            "symbolStrokeWidth": 2,
            "labelLimit": 260,
        },
        "title": {"color": light("ink"), "anchor": "start", "fontSize": 14, "fontWeight": 600},
        "text": {"color": light("ink"), "fontSize": 12},
    }
