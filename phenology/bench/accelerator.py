"""The season model on a graphics card against the processor, where JAX finds a card."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from phenology.bench.measure import Measured
from phenology.bench.models import season_study

if TYPE_CHECKING:
    import jax
    import xarray as xr

    from phenology.models.season_counts import SeasonCounts

# sites, seasons, days from one to the next, how draws are made
SIZES = ((8, 12, 3, "moved"), (30, 20, 2, "laplace"), (100, 20, 1, "laplace"))


def bench_accelerator(quick: bool) -> list[Measured]:
    """Warm fits, each on both; how far their answers are apart stands in the name.

    Told in standard deviations of the posterior, typical of all peaks, beside how far those of
    another seed lie: answers are to agree within Monte Carlo error.
    """
    import jax

    try:
        card, processor = jax.devices("gpu")[0], jax.devices("cpu")[0]
    except RuntimeError:
        sys.stderr.write("no graphics card that JAX can use: not measured\n")
        return []
    rows = []
    for sites, seasons, step, method in SIZES[: 1 if quick else None]:
        counts = season_study(sites=sites, seasons=seasons, step=step, groups=3)
        on_card, ours = _warm(counts, method, card, seed=1)
        off_card, theirs = _warm(counts, method, processor, seed=1)
        _, other = _warm(counts, method, card, seed=2)
        told = (
            f"season, {sites} × {seasons} × 3, every {step} days, {method}, on a card: peaks "
            f"{_apart(ours, theirs):.2f} sd apart, of another seed {_apart(ours, other):.2f}"
        )
        rows.append(Measured(told, on_card, "on the processor", off_card))
    return rows


def _warm(
    counts: SeasonCounts, method: str, device: jax.Device, seed: int
) -> tuple[float, xr.DataArray]:
    """Seconds of a second fit, and its peaks."""
    import jax

    from phenology.models.season import SeasonModel

    model = SeasonModel(method=method, seed=seed)
    with jax.default_device(device):
        model.fit(counts)
        began = time.perf_counter()
        model.fit(counts)
        taken = time.perf_counter() - began
    return taken, model.draws_["peak_day"].sel(role="passage")


def _apart(one: xr.DataArray, other: xr.DataArray) -> float:
    """Typical distance of two posteriors' medians [standard deviations]."""
    return float((abs(one.median("draw") - other.median("draw")) / one.std("draw")).median())
