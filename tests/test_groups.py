"""Unknown ages and sexes are allocated, never dropped."""

import numpy as np
import pandas as pd

from phenology.groups import assign_groups


def _birds(rows: list[tuple[str, str, str, str | None, str]]) -> pd.DataFrame:
    birds = pd.DataFrame(rows, columns=["species", "age", "sex", "band", "date"])
    return birds.assign(date=pd.to_datetime(birds["date"]))


def test_every_capture_gets_a_group_and_unknowns_follow_the_birds_of_their_days() -> None:
    early = [("A b", "adult", "male", f"TEST-{i}", "2031-07-10") for i in range(30)]
    late = [("A b", "young", "female", f"TEST-{30 + i}", "2031-09-10") for i in range(30)]
    unknown = [("A b", "unknown", "unknown", None, day) for day in ("2031-07-11", "2031-09-09")]
    groups = assign_groups(_birds(early + late + unknown), ["age", "sex"], seed=1)
    assert groups["group"].iloc[-2:].tolist() == ["A b adult male", "A b young female"]
    assert groups["group_allocated"].sum() == 2


def test_birds_caught_across_new_year_are_near_in_time() -> None:
    winter = [("A b", "adult", "male", f"TEST-{i}", "2031-12-29") for i in range(30)]
    summer = [("A b", "young", "female", f"TEST-{30 + i}", "2031-07-10") for i in range(30)]
    unknown = [("A b", "unknown", "unknown", None, "2032-01-03")] * 5
    groups = assign_groups(_birds(winter + summer + unknown), ["age", "sex"], seed=1)
    assert set(groups["group"].iloc[-5:]) == {"A b adult male"}


def test_a_part_that_most_birds_lack_is_not_modelled() -> None:
    birds = [
        ("A b", "adult", "male" if i == 0 else "unknown", None, "2031-07-10") for i in range(9)
    ]
    groups = assign_groups(_birds(birds), ["age", "sex"], seed=1)
    assert set(groups["group"]) == {"A b adult"}


def test_labels_as_written_are_kept_however_many() -> None:
    rows = [
        ("A b", f"age {i}", f"sex {j}", None, "2031-07-10") for i in range(30) for j in range(9)
    ]
    groups = assign_groups(_birds(rows), ["age", "sex"], seed=1)["group"]
    assert groups.tolist() == [f"{species} {age} {sex}" for species, age, sex, *_ in rows]


def test_one_band_in_one_year_is_one_kind_of_bird() -> None:
    known = [
        ("A b", age, "male", f"TEST-{i}", "2031-07-10")
        for i, age in enumerate(["adult", "young"] * 20)
    ]
    same = [("A b", "unknown", "male", "TEST-99", f"2031-07-{day}") for day in range(10, 20)]
    groups = assign_groups(_birds(known + same), ["age"], seed=4)
    assert groups["group"].iloc[40:].nunique() == 1


def test_allocation_repeats_with_the_seed_and_keeps_the_shares() -> None:
    ages = np.where(np.arange(1000) % 10 < 3, "adult", "young")
    known = [("A b", age, "", None, "2031-07-10") for age in ages]
    unknown = [("A b", "unknown", "", None, "2031-07-10")] * 500
    birds = _birds(known + unknown)
    first = assign_groups(birds, ["age"], seed=3)["group"]
    assert first.equals(assign_groups(birds, ["age"], seed=3)["group"])
    share = (first.iloc[1000:] == "A b adult").mean()
    assert abs(share - 0.3) < 4 * np.sqrt(0.3 * 0.7 / 500)
