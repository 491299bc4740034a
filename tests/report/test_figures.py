"""Figures: valid specifications that hold what the tables hold, in the colours of the roles."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from phenology.models.last_digits import last_digits
from phenology.report import figures
from phenology.report.figures.ladder import STEP, ladder, ladder_px
from phenology.report.palette import COLOURS, ROLE_ORDER, light
from phenology.report.report import figure_json
from phenology.report.tables import report_tables

GAINS = pd.DataFrame(
    {
        "species": "Selasphorus rufus",
        "group": "Selasphorus rufus young",
        "role": "passage",
        "days": [1, 1, 2, 4],
        "gain": [0.01, 0.05, 0.08, 0.2],
    }
)
READERS = pd.DataFrame(
    {
        "letter": ["reader A", "reader B"],
        "measure": "wing, % apart",
        "birds": [120, 40],
        "estimate": [0.4, -0.4],
        "low": [0.1, -0.9],
        "high": [0.7, 0.1],
        "usual": 0.0,
    }
)


@pytest.fixture(scope="module")
def charts(assessment):
    tables = report_tables(assessment)
    birds = tables["single_birds"]
    return {
        "curves": figures.draw_season_curves(
            tables["curves"], tables["sampled_days"], "fork", "2032"
        ),
        "first captures": figures.draw_first_captures(
            tables["curves"][tables["curves"]["season"] == ""], "fork"
        ),
        "dates": figures.draw_dates_by_year(tables["timing"], tables["seasons_sampled"], "fork"),
        "fuel by day": figures.draw_fuel_by_day(birds),
        "lean mass": figures.draw_lean_mass(birds),
        "gain": figures.draw_gain(GAINS),
        "readers": figures.draw_readers(READERS),
        "last digits": figures.draw_last_digits(
            last_digits(40 + np.arange(60) / 10).assign(measure="wing")
        ),
        "effort": figures.draw_effort_calendar(tables["sampled_days"], tables["seasons_sampled"]),
        "findings": figures.draw_findings(tables["findings"]),
        "learning": figures.draw_learning(tables["learning"]),
        "intervals": figures.draw_intervals(tables["fuel"], "group", "site", "fuel", none=0.0),
    }


def test_every_figure_is_a_valid_specification_with_rows(charts) -> None:
    for name, chart in charts.items():
        spec = chart.to_dict()  # Altair checks it against the schema
        assert all(rows for rows in spec["datasets"].values()), name


def test_every_role_of_a_label_has_a_line_of_its_own_below_its_heading() -> None:
    rows = pd.DataFrame(
        [("mesa", "2031", "local"), ("fork", "2032", "passage"), ("fork", "2031", "passage"),
         ("fork", "2031", "local")],
        columns=["site", "season", "role"],
    )  # fmt: skip
    laid = ladder(rows, "site", "season")
    assert [line[4:] for line in laid.lines] == ["", "2031", "", "2032", "", "", "2031"]
    assert laid.headings["heading"].tolist() == ["fork", "mesa"]
    assert laid.headings["line"].tolist() == [laid.lines[0], laid.lines[5]]
    on = dict(zip(laid.rows["site"] + laid.rows["season"] + laid.rows["role"], laid.rows["line"],
                  strict=True))  # fmt: skip
    assert [on["fork2031local"], on["fork2031passage"], on["fork2032passage"]] == laid.lines[1:4]
    assert laid.lines == sorted(set(laid.lines))
    # two panels of three and one line, each with its heading and a gap
    assert (ladder_px(rows, "site", "season") / STEP).to_dict() == {"fork": 5, "mesa": 3}


def test_the_days_sampled_stand_under_the_curves(charts, assessment) -> None:
    days = charts["curves"].to_dict()["datasets"]["days_sampled"]
    sampled = assessment.site_days["sampled"].sel(site="fork").to_series()
    expected = [f"{date:%Y-%m-%d}" for date in sampled.index[sampled] if date.year == 2032]
    assert [row["date"] for row in days] == expected


def test_a_lost_season_stands_in_dates_and_effort(charts) -> None:
    assert '"2031 lost"' in json.dumps(charts["dates"].to_dict()["spec"])
    effort = charts["effort"].to_dict()["datasets"]["days"]
    assert {row["season"] for row in effort if row["lost"]} == {"2031"}


def test_shares_of_learning_sum_to_one(charts) -> None:
    sums: dict[tuple[str, str], float] = {}
    for row in charts["learning"].to_dict()["datasets"]["learning"]:
        key = (row["quantity"], row["site"])
        sums[key] = sums.get(key, 0.0) + row["share"]
    assert sums
    assert all(total == pytest.approx(1.0, abs=1e-3) for total in sums.values())


def test_one_hue_a_role_in_every_figure(charts) -> None:
    for name in ("curves", "dates", "fuel by day", "lean mass", "intervals"):
        for scale in _role_scales(charts[name].to_dict()):
            assert scale["range"] == [light(role) for role in scale["domain"]], name


def _role_scales(node: object) -> list[dict]:
    if isinstance(node, list):
        return [scale for child in node for scale in _role_scales(child)]
    if not isinstance(node, dict):
        return []
    found = [scale for child in node.values() for scale in _role_scales(child)]
    colour = node.get("color")
    if isinstance(colour, dict) and colour.get("field") == "role":
        found.append(colour["scale"])
    return found


def test_the_page_draws_with_css_variables_only(charts) -> None:
    for name, chart in charts.items():
        text = figure_json(chart)
        assert not any(f'"{colour}"' in text for colour, _ in COLOURS.values()), name
        assert "var(--" in text


def test_columns_hold_the_same_rows(charts) -> None:
    held = json.loads(figure_json(charts["fuel by day"]))["data"]["birds"]
    rows = charts["fuel by day"].to_dict()["datasets"]["birds"]
    group = held["group"]
    assert [group["words"][place] for place in group["at"]] == [row["group"] for row in rows]
    assert held["fuel_load"] == [row["fuel_load"] for row in rows]


# Simulated colour vision: Viénot, Brettel & Mollon 1999, Color Res. Appl. 24:243, linear RGB
# (matrices from memory). Roles must stay apart for protanopes and deuteranopes as well.
VISION = {
    "usual": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanope": ((0.11238, 0.88762, 0), (0.11238, 0.88762, 0), (0.00401, -0.00401, 1)),
    "deuteranope": ((0.29275, 0.70725, 0), (0.29275, 0.70725, 0), (-0.02234, 0.02234, 1)),
}


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("ground", [0, 1])
def test_roles_differ_for_every_reader_and_stand_out_from_the_ground(
    vision: str, ground: int
) -> None:
    seen = {role: _seen(COLOURS[role][ground], VISION[vision]) for role in ROLE_ORDER}
    for first, second in (("local", "passage"), ("local", "mixed"), ("passage", "mixed")):
        gap = sum((a - b) ** 2 for a, b in zip(seen[first], seen[second], strict=True)) ** 0.5
        assert gap > 0.04, (first, second)
    paper = _luminance(COLOURS["paper"][ground])
    for role in ROLE_ORDER:
        light_one, dark_one = sorted([paper, _luminance(COLOURS[role][ground])], reverse=True)
        # WCAG 2.2, 1.4.3: text needs a contrast of 4.5 to 1.
        assert (light_one + 0.05) / (dark_one + 0.05) >= 4.5


def _linear(colour: str) -> list[float]:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def _seen(colour: str, matrix: tuple) -> list[float]:
    rgb = _linear(colour)
    return [sum(w * part for w, part in zip(line, rgb, strict=True)) for line in matrix]


def _luminance(colour: str) -> float:
    return sum(w * part for w, part in zip((0.2126, 0.7152, 0.0722), _linear(colour), strict=True))
