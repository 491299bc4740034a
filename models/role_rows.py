"""Labels, groups and places of birds as codes; a label is 0 not known, 1 and 2 the classes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from sklearn.utils import column_or_1d
from sklearn.utils.multiclass import check_classification_targets

from phenology.quantities import ROLES

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Names = npt.NDArray[Any]

UNKNOWN = "unknown"  # in y: not known to be of either class


def learn_labels(y: Any, size: int) -> tuple[Names, Codes]:
    """The two classes that y names, and its codes; all unknown without y.

    Raises
    ------
    ValueError
        For labels that are not of two classes, or not one a bird.
    """
    if y is None:
        return np.array(ROLES), np.zeros(size, dtype=int)
    labels = np.asarray(y)
    if labels.ndim == 2 and labels.shape[1] == 1:
        labels = column_or_1d(labels, warn=True)
    if labels.dtype.kind == "f" and not np.isfinite(labels).all():
        raise ValueError("Input y contains NaN or infinity; unknown roles are 'unknown'")
    check_classification_targets(labels)
    if len(labels) != size:
        raise ValueError(f"y has {len(labels)} labels for {size} birds")
    known = np.unique(labels[labels != UNKNOWN]) if labels.dtype.kind in "OU" else np.unique(labels)
    classes = np.array(ROLES) if set(known) <= set(ROLES) else known
    if len(classes) != 2:
        raise ValueError(
            "Only binary classification is supported. A role has two classes; "
            f"y has {len(classes)} class" + ("es" if len(classes) > 1 else "")
        )
    return classes, label_codes(labels, classes)


def label_codes(y: Any, classes: Names) -> Codes:
    """Codes of labels by classes already learned."""
    labels = np.asarray(y)
    return np.asarray((labels == classes[0]) + 2 * (labels == classes[1]), dtype=int)


def names_of(given: npt.ArrayLike | None, size: int) -> Names:
    """Group or place of each bird, one alike where none is given."""
    if given is None:
        return np.full(size, "")
    names = np.asarray(given).astype(str)
    if len(names) != size:
        raise ValueError(f"{len(names)} groups or places for {size} birds")
    return names


def positions(names: Names, known: tuple[str, ...]) -> Codes:
    """Place of each name; one past the last for a name never seen."""
    places = {name: place for place, name in enumerate(known)}
    return np.array([places.get(name, len(known)) for name in names], dtype=int)


def log_odds(prior: npt.ArrayLike | None, size: int) -> Array:
    """Log odds of class 0 before anything is seen of a bird; 0 without a prior."""
    if prior is None:
        return np.zeros(size)
    chance = np.clip(np.asarray(prior, dtype=float), 1e-4, 1 - 1e-4)
    return np.asarray(np.log(chance / (1 - chance)))


def padded(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Rows of zeros up to the next power of two, so that few sizes are compiled."""
    size = 1 << max(5, (len(values) - 1).bit_length())
    return np.pad(values, [(0, size - len(values))] + [(0, 0)] * (values.ndim - 1))


def effort_by_place(effort: pd.DataFrame | None) -> dict[str, tuple[Array, Array]]:
    """Days and hours of sampling by place, from a table of place, day and hours."""
    if effort is None:
        return {}
    return {
        str(place): (rows["day"].to_numpy(float), rows["hours"].to_numpy(float))
        for place, rows in effort.groupby("place")
    }
