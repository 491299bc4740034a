"""Readers of fat: recovery of what sets them apart, and refusal where none can be compared."""

import numpy as np
import pandas as pd
import pytest

from phenology.models import fat_readers
from phenology.models.fat_readers import compare_fat_readers
from phenology.models.lean_mass_simulated import simulate_lean_mass
from phenology.models.refusal import Refused

CHANCE_APART = {"A": 0.4, "B": 0.0, "C": -0.4}  # of reading a class higher, or lower


def _birds(seed: int) -> tuple[pd.DataFrame, pd.Series]:
    """Birds by three readers, and how many classes each truly reads from the mean reader."""
    rng = np.random.default_rng(seed)
    birds, _ = simulate_lean_mass(rng, birds=600)
    birds = birds[birds["fat_class"] >= 0]
    reader = rng.choice(list(CHANCE_APART), len(birds))
    chance = np.array([CHANCE_APART[name] for name in reader])
    moved = np.sign(chance) * (rng.random(len(birds)) < np.abs(chance))
    read = np.clip(birds["fat_class"] + moved, 0, 5).astype(int)
    truly = (read - birds["fat_class"]).groupby(reader).mean()
    group = birds[["age", "sex"]].agg(" ".join, axis=1)
    return birds.assign(reader=reader, group=group, fat_class=read), truly - truly.mean()


def test_intervals_hold_what_sets_readers_apart() -> None:
    inside = []
    for seed in range(8):
        birds, truly = _birds(seed)
        told = compare_fat_readers(birds, seed=seed).set_index("reader")
        truly = truly[told.index]
        inside += list((told["low"] <= truly) & (truly <= told["high"]))
    assert len(inside) == 24
    assert np.mean(inside) >= 0.75


def test_readers_alike_are_told_to_be_alike() -> None:
    birds, _ = _birds(3)
    alike = birds.assign(reader=np.random.default_rng(4).permutation(birds["reader"]))
    told = compare_fat_readers(alike)
    assert ((told["low"] < 0) & (told["high"] > 0)).all()
    assert told["estimate"].abs().max() < 0.2


def test_one_reader_is_refused() -> None:
    with pytest.raises(Refused, match="1 reader of fat with 20 readings"):
        compare_fat_readers(_birds(1)[0].assign(reader="A"))


def test_of_very_many_readings_as_many_of_each_reader_are_compared(monkeypatch) -> None:
    birds, _ = _birds(5)
    few = np.flatnonzero((birds["reader"] == "C").to_numpy())[30:]
    birds = birds.drop(birds.index[few])
    monkeypatch.setattr(fat_readers, "MOST_READINGS", 180)
    told = compare_fat_readers(birds).set_index("reader")
    assert told["birds"].to_dict() == {"A": 60, "B": 60, "C": 30}
    assert told.equals(compare_fat_readers(birds).set_index("reader"))
    monkeypatch.undo()
    width = told["high"] - told["low"]
    every = compare_fat_readers(birds).set_index("reader")
    assert (every["high"] - every["low"])["A"] < width["A"]
