"""Findings at the seams a user sees: each kind from the smallest sheet that shows it."""

import json

import numpy as np
import pandas as pd
import pytest

from phenology.page.accepted import suggested_value
from phenology.quantities import ACTIONS, SEVERITIES
from phenology.sheets.finding import FINDING_COLUMNS
from phenology.sheets.kinds import KINDS, kinds_page
from phenology.sheets.told import count_findings, findings_csv, findings_html, findings_json
from phenology.sitedays import join_site_days
from phenology.study.study import open_study
from phenology.sun import hours_since_sunrise


def kinds_of(study, row: int, sheet: str = "captures") -> set[str]:
    findings = study.findings
    return set(findings.loc[(findings["sheet"] == sheet) & (findings["row"] == row), "kind"])


def again(small, nth: int = 0) -> int:
    """Position of a bird caught again."""
    return int(small.captures.index[small.captures["capture"] == "recap"][nth])


def before(small, here: int) -> int:
    band = small.captures.loc[here, "band"]
    return int(small.captures.index[small.captures["band"] == band][0])


def test_every_finding_has_a_known_kind_severity_and_action(tmp_path, invent):
    from planted_slips import plant

    invented = invent(3000, 2)
    plant(invented, 2, of_each=5)
    findings = open_study(invented.write(tmp_path / "study")).findings
    assert list(findings.columns) == list(FINDING_COLUMNS)
    assert len(findings) > 80
    assert set(findings["kind"]) <= set(KINDS)
    assert set(findings["severity"]) <= set(SEVERITIES)
    assert set(findings["action"]) <= set(ACTIONS)
    assert (findings["message"].str.len() > 5).all()
    blanked = findings[findings["action"] == "blanked"]
    assert set(blanked["severity"]) <= {"impossible", "doubtful"}
    page = kinds_page()
    assert all(f"| {kind} |" in page for kind in KINDS)


def test_a_recapture_becomes_repeat_or_return_by_history(tmp_path, small):
    captures = small.captures
    here = again(small)
    later = captures.loc[[here]].assign(
        date="2032-07-05", time="7:00", release_time="7:20", age="AHY"
    )
    stranger = captures.loc[[here]].assign(band="TEST-77", date="2031-09-28")
    small.captures = pd.concat([captures, later, stranger], ignore_index=True)
    study = open_study(small.write(tmp_path / "study"))
    by_row = study.captures.set_index("row")["capture"]
    assert by_row[here + 2] == "repeat"
    assert by_row[len(captures) + 2] == "return"
    assert by_row[len(captures) + 3] == "foreign"
    assert "never_banded" in kinds_of(study, len(captures) + 3)
    assert not (study.captures["capture"] == "recapture").any()


def test_conflicts_within_a_history(tmp_path, small):
    places = [again(small, nth) for nth in range(5)]
    captures = small.captures
    captures.loc[places[0], "capture"] = "new"
    captures.loc[places[1], "species"] = (
        "BCHU" if captures.loc[places[1], "species"] != "BCHU" else "RUHU"
    )
    captures.loc[places[2], "sex"] = "M" if captures.loc[places[2], "sex"] == "F" else "F"
    captures.loc[before(small, places[3]), "age"] = "AHY"
    captures.loc[places[3], "age"] = "HY"
    captures.loc[places[4], "mass_g"] = (
        f"{float(captures.loc[before(small, places[4]), 'mass_g']) * 3.4:.2f}"
    )
    study = open_study(small.write(tmp_path / "study"))
    for place, kind in zip(
        places,
        ("new_again", "band_changes_species", "band_changes_sex", "grows_younger", "mass_change"),
        strict=True,
    ):
        assert kind in kinds_of(study, place + 2)


def test_a_band_at_two_sites_at_impossible_speed(tmp_path, small):
    small.sites.loc[1, "latitude"] = 47.0
    here = again(small)
    earlier = before(small, here)
    small.captures.loc[here, "date"] = small.captures.loc[earlier, "date"]
    small.captures.loc[earlier, ["site", "time"]] = ["fork", "6:30"]
    small.captures.loc[here, ["site", "time", "release_time"]] = ["ridge", "9:30", "9:40"]
    study = open_study(small.write(tmp_path / "study"))
    assert "impossible_journey" in kinds_of(study, here + 2)


def test_wrong_size_and_string_of_bands(tmp_path, invent):
    invented = invent(300, 1)
    invented.captures["band_size"] = "X"
    invented.captures.loc[40, "band_size"] = "3B"
    fresh = int(invented.captures.index[invented.captures["capture"] == "new"][60])
    invented.captures.loc[fresh, "band"] = "TEST-71060"
    study = open_study(invented.write(tmp_path / "study"))
    assert "wrong_band_size" in kinds_of(study, 42)
    assert "out_of_string" in kinds_of(study, fresh + 2)


def test_bands_out_of_string_over_several_files(tmp_path, small):
    """Which file a row came from makes no difference to what is doubted about its band."""
    small.captures.loc[5, "band"] = "TEST-99999"
    one = open_study(small.write(tmp_path / "one"))
    small.more["captures_later"] = small.captures.iloc[80:]
    small.captures = small.captures.iloc[:80]
    two = open_study(small.write(tmp_path / "two"))
    assert set(two.captures["file"]) == {"captures.csv", "captures_later.csv"}
    told = [found[found["column"] == "band"][["kind", "value"]].values.tolist()
            for found in (one.findings, two.findings)]  # fmt: skip
    assert told[0] == told[1]
    assert ["out_of_string", "TEST-99999"] in told[0]


def test_sessions_that_overlap_stand_twice_or_close_first(tmp_path, small):
    effort = small.effort
    first, second, third = effort.iloc[[0]], effort.iloc[[1]], effort.iloc[[2]]
    net = effort.iloc[[3]].assign(trap="net 1", method="net")
    added = [
        first,
        second.assign(open="8:00", close="12:00"),
        third.assign(trap="B", open="9:00", close="7:00"),
        net,
    ]
    small.effort = pd.concat([effort, *added], ignore_index=True)
    study = open_study(small.write(tmp_path / "study"))
    rows = [len(effort) + 2 + place for place in range(4)]
    assert kinds_of(study, rows[0], "effort") == {"row_twice"}
    assert kinds_of(study, rows[1], "effort") == {"overlapping_session"}
    assert kinds_of(study, rows[2], "effort") == {"negative_session"}
    assert kinds_of(study, rows[3], "effort") == set()
    assert study.rows["effort"]["set_aside"] == 1


def test_a_site_that_stands_twice_is_set_aside_and_its_birds_stay(tmp_path, small):
    clean = open_study(small.write(tmp_path / "clean"))
    again = small.sites.assign(
        site=["Fork ", "RIDGE"], latitude=[33.2187, 34.5], name=["Other", "Invented ridge"]
    )
    small.sites = pd.concat([small.sites, again], ignore_index=True)
    study = open_study(small.write(tmp_path / "study"))
    assert study.sites["site"].tolist() == ["fork", "ridge"]
    assert study.sites["latitude"].tolist() == [33.2187, 33.4311]
    for row in (4, 5):
        assert kinds_of(study, row, "sites") == {"site_twice"}
    twice = study.findings[study.findings["kind"] == "site_twice"]
    assert twice["value"].tolist() == ["Fork ", "RIDGE"]  # as written
    assert "differ" not in twice["message"].iloc[0]
    assert twice["message"].iloc[1].endswith("and in row 3, which is used; they differ in latitude")
    assert study.rows["sites"] == {"read": 4, "used": 2, "set_aside": 2}
    assert study.captures.equals(clean.captures)
    groups = study.captures["species"]
    assert join_site_days(study, groups, 1).equals(join_site_days(clean, groups, 1))


def test_a_time_zone_that_is_none_is_blanked_and_one_far_from_the_sun_is_doubted(tmp_path, small):
    small.sites = small.sites.assign(timezone=["Mountain", "Etc/GMT-7"])  # the sign is turned
    study = open_study(small.write(tmp_path / "study"))
    assert kinds_of(study, 2, "sites") == {"unknown_time_zone"}
    assert kinds_of(study, 3, "sites") == {"time_zone_far"}
    doubts = study.findings.set_index("kind")
    assert doubts.loc["unknown_time_zone", "action"] == "blanked"
    assert "10 hours" in doubts.loc["time_zone_far", "message"]
    assert doubts.loc["time_zone_far", "suggestion"] == "Etc/GMT+7"
    assert study.sites["timezone"].isna().tolist() == [True, False]
    own = hours_since_sunrise(study.captures, study.sites)
    right = study.sites.assign(timezone="America/Phoenix")
    expected = hours_since_sunrise(study.captures, right)
    here = (study.captures["site"] == study.sites["site"].iloc[0]).to_numpy()
    np.testing.assert_allclose(own[here], expected[here])


def test_what_is_only_advice_is_not_offered_as_a_value(tmp_path, small):
    captures = small.captures.astype(str)
    captures.loc[captures.index[0], "date"] = "03/04/2031"
    captures.loc[captures.index[1], "species"] = "Calypte costae"
    captures.loc[captures.index[2], "species"] = "Qqqq"
    captures.loc[captures.index[3], "site"] = "zzzz"
    small.captures = captures
    found = open_study(small.write(tmp_path / "study")).findings.set_index("kind")
    kinds = ["ambiguous_date", "species_without_role", "unknown_species", "unknown_site"]
    for kind in kinds:
        assert found.loc[[kind], "suggestion"].ne("").all(), kind
        assert found.loc[[kind], "suggestion"].map(suggested_value).eq("").all(), kind


def test_a_flowering_area_under_the_ground_surveyed_is_doubted(tmp_path, small):
    small.sites = small.sites.assign(flowering_area_ha=["0.03", "6"])
    small.more["bloom"] = pd.DataFrame(
        {"site": ["fork", "ridge"], "date": "2031-07-01", "plant": "sage", "open_flowers": 9,
         "area_m2": 500}
    )  # fmt: skip
    study = open_study(small.write(tmp_path / "study"))
    assert kinds_of(study, 2, "sites") == {"flowering_area_small"}
    assert kinds_of(study, 3, "sites") == set()
    doubt = study.findings[study.findings["kind"] == "flowering_area_small"].iloc[0]
    assert (doubt["column"], doubt["value"], doubt["action"]) == (
        "flowering_area_ha", "0.03", "kept",
    )  # fmt: skip
    assert "0.05 ha" in doubt["message"]  # 500 m2
    assert study.sites["flowering_area_ha"].tolist() == [0.03, 6.0]


def test_a_bird_after_midnight_is_not_held_backwards(tmp_path, small):
    small.captures.loc[3, ["time", "release_time"]] = ["23:50", "0:10"]
    study = open_study(small.write(tmp_path / "study"))
    assert "negative_time_in_hand" not in kinds_of(study, 5)
    assert "long_time_in_hand" not in kinds_of(study, 5)


def test_digit_preference_and_a_reader_apart_are_notes(tmp_path, invent):
    invented = invent(800, 9)
    captures = invented.captures
    wing = captures["wing_mm"].astype(float)
    halves = (wing * 2).round() / 2
    captures["wing_mm"] = wing.where(captures.index % 10 >= 7, halves).map("{:.1f}".format)
    two = captures["bander"] == "two"
    bill = captures["bill_mm"].astype(float)
    captures["bill_mm"] = (bill + 0.8 * two).map("{:.1f}".format)
    study = open_study(invented.write(tmp_path / "study"))
    notes = study.findings[study.findings["severity"] == "note"]
    assert "wing_mm" in set(notes.loc[notes["kind"] == "digit_preference", "column"])
    assert "bill_mm" in notes.loc[notes["kind"] == "reader_apart", "message"].str.cat()


def test_heavy_fat_on_a_bird_below_lean_mass(tmp_path, invent):
    invented = invent(800, 9)
    kind = (invented.captures[["species", "sex"]] == ["RUHU", "F"]).all(axis=1)
    mass = invented.captures.loc[kind, "mass_g"].astype(float)
    place = mass.idxmin()
    invented.captures.loc[place, "fat"] = "5"
    invented.captures.loc[place, "mass_g"] = f"{mass.quantile(0.02) * 0.8:.2f}"
    study = open_study(invented.write(tmp_path / "study"))
    assert kinds_of(study, int(place) + 2) & {"fat_on_lean", "implausible"}


def test_fillers_count_as_codes_only_where_implausible(tmp_path, invent):
    invented = invent(300, 4)
    invented.captures.loc[5, "wing_mm"] = "99"
    invented.captures.loc[6, "mass_g"] = "999"
    invented.captures.loc[7, "fat"] = "9"
    invented.captures.loc[8, "mass_g"] = "--"
    study = open_study(invented.write(tmp_path / "study"))
    assert kinds_of(study, 7) == {"filler"}
    assert kinds_of(study, 8) == {"filler"}
    assert kinds_of(study, 9) == set()
    assert kinds_of(study, 10) == set()
    blank = study.captures.set_index("row").loc[[7, 8, 10]]
    assert blank.loc[7, "wing_mm"] != blank.loc[7, "wing_mm"]
    assert blank["mass_g"].isna().tolist() == [False, True, True]


def corrections(small, **changes):
    row = {
        "sheet": "captures",
        "file": "",
        "row": 5,
        "column": "wing_mm",
        "old": "",
        "new": "41.0",
        "who": "x",
        "why": "card",
    }
    small.more["corrections"] = pd.DataFrame([row | changes])


def test_a_correction_applies_only_where_old_matches(tmp_path, small):
    written = small.captures.loc[3, "wing_mm"]
    corrections(small, old=written, new="41.0")
    study = open_study(small.write(tmp_path / "study"))
    assert study.captures.set_index("row").loc[5, "wing_mm"] == 41.0
    assert "correction_not_applied" not in set(study.findings["kind"])
    assert f",{written}," in (tmp_path / "study" / "captures.csv").read_text()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"old": "77.7"}, "does not match"),
        ({"row": 9999}, "no row 9999"),
        ({"column": "wings"}, "no column is named"),
        ({"column": "gravid"}, "has no column gravid"),
        ({"sheet": "trees"}, "no sheet of trees"),
    ],
)
def test_a_correction_that_cannot_be_applied_says_why(tmp_path, small, changes, said):
    corrections(small, **changes)
    study = open_study(small.write(tmp_path / "study"))
    found = study.findings[study.findings["kind"] == "correction_not_applied"]
    assert len(found) == 1
    assert said in found["message"].iat[0]
    assert study.captures.set_index("row").loc[5, "wing_mm"] == float(
        small.captures.loc[3, "wing_mm"]
    )


def test_a_correction_can_restore_a_row_and_blank_a_cell(tmp_path, small):
    small.captures.loc[3, "species"] = "RUFU"
    corrections(small, column="species", old="RUFU", new="RUHU")
    blank = small.more["corrections"].iloc[0].to_dict() | {
        "row": 6,
        "column": "mass_g",
        "old": small.captures.loc[4, "mass_g"],
        "new": "",
    }
    small.more["corrections"] = pd.concat([small.more["corrections"], pd.DataFrame([blank])])
    study = open_study(small.write(tmp_path / "study"))
    assert study.rows["captures"]["set_aside"] == 0
    assert pd.isna(study.captures.set_index("row").loc[6, "mass_g"])


def test_findings_as_csv_json_and_page(tmp_path, small):
    small.captures.loc[3, "species"] = "R<b>"
    findings = open_study(small.write(tmp_path / "study")).findings
    assert findings_csv(findings).splitlines()[0] == ",".join(FINDING_COLUMNS)
    rows = json.loads(findings_json(findings))
    assert len(rows) == len(findings)
    assert rows[0]["row"] == 5
    assert "R&lt;b&gt;" in findings_html(findings, "x")
    counted = count_findings(findings)
    assert counted["findings"].sum() == len(findings)
