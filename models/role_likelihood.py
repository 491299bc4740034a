"""Two-class mixture of binned traits: likelihood, priors and evidence for single birds, in JAX.

    log odds of class 0 = prior + share of place + of group + Σ_k [log p_0k(x_k) − log p_1k(x_k)],
    log p_ck(bin) = log softmax(log frequency_k + a_ck + b_cgk),

a smooth over neighbouring bins of an ordered trait, b the departure of a group g, for traits that
are told by group. The frequency of a day is that of sampling at the bird's place, so that a is
presence and the softmax the day on which a bird of the class is caught there. A label is one more
trait: class c is labelled with chance ρ_c of each group (young never show that they breed), and
wrongly with a small known share of that; birds without a label are evidence too.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

# Prior spreads on the log scale. A step of .4 between neighbouring bins lets a trait depart from
# what is held of it by threefold over its range; 1.5 keeps single bins within a factor of twenty
# of the overall share. Groups of one place share most of its share of locals. Steps of .3 to .6
# and spreads of groups' shares of .05 to 1 were tried on seasons simulated on other principles.
STEP_SD, LEVEL_SD, GROUP_SD, SHARE_SD, LABEL_SD = 0.4, 1.5, 0.7, 1.0, 2.0
SHARE_GROUP_SD = 0.3
DIRECTION = 1.0  # mean log ratio of the classes over the range of a trait whose sign is known


class Birds(NamedTuple):
    """One row a bird; `code` −1 where a trait is missing, `label` 0 none, 1 or 2 a class."""

    code: Any  # (n, d) int
    label: Any  # (n,) int; −1 where labelling says nothing
    group: Any  # (n,) int; the last place of a table stands for no group known
    place: Any  # (n,) int
    log_odds: Any  # (n,)
    weight: Any  # (n,)


class Traits(NamedTuple):
    """What is known of the traits before the classes are."""

    log_frequency: Any  # (P + 1, d, B), the last of places unknown; −inf-like beyond its bins
    smooth: Any  # (d, B − 1): 1 between neighbouring bins of an ordered trait
    direction: Any  # (2, d, B): prior mean of a
    direction_group: Any  # (2, e, G, B): prior mean of b
    label_error: Any  # log of the share of labels that are wrong


class Parameters(NamedTuple):
    """θ unpacked."""

    share: Any  # (P,): log odds of class 0 at each place, beyond the prior's
    share_group: Any  # (G,): departure of each group
    label: Any  # (2,): log odds of being labelled, for each class
    label_group: Any  # (2, G): departure of each group
    common: Any  # (2, d, B)
    by_group: Any  # (2, e, G, B), for the first e traits


def unpack(theta: Any, sizes: tuple[int, int, int, int, int]) -> Parameters:
    """θ into its parts; `sizes` are places, traits, bins, traits told by group, groups."""
    places, traits, bins, told, groups = sizes
    shapes = [(places,), (groups,), (2,), (2, groups), (2, traits, bins), (2, told, groups, bins)]
    ends = np.cumsum([np.prod(shape, dtype=int) for shape in shapes])
    parts = [
        part.reshape(shape) for part, shape in zip(jnp.split(theta, ends[:-1]), shapes, strict=True)
    ]
    return Parameters(*parts)


def class_log_density(theta: Any, birds: Birds, traits: Traits, sizes: Any) -> Any:
    """Log prior and likelihood of each class for each bird, shape (n, 2)."""
    parts = unpack(theta, sizes)
    told = sizes[3]
    seen = birds.code >= 0
    code = jnp.maximum(birds.code, 0)
    columns = jnp.arange(code.shape[1])
    log_share = jnp.pad(parts.share, (0, 1))[birds.place] + birds.log_odds
    log_share += jnp.pad(parts.share_group, (0, 1))[birds.group]
    logits = traits.log_frequency + parts.common[:, None]  # (2, P + 1, d, B)
    at = birds.place[:, None]
    plain = jax.nn.log_softmax(logits, axis=-1)[:, at, columns, code]  # (2, n, d)
    if told:
        none_known = jnp.zeros((2, told, 1, sizes[2]))
        by_group = jnp.concatenate([parts.by_group, none_known], axis=2)
        tables = jax.nn.log_softmax(logits[:, :, :told, None] + by_group[:, None], axis=-1)
        own = tables[:, at, columns[:told], birds.group[:, None], code[:, :told]]
        plain = jnp.concatenate([own, plain[:, :, told:]], axis=2)
    density = jnp.where(seen, plain, 0.0).sum(axis=2)
    right = parts.label[:, None] + jnp.pad(parts.label_group, ((0, 0), (0, 1)))[:, birds.group]
    wrong = right + traits.label_error
    labels = jnp.stack([jnp.zeros_like(right), jnp.stack([right[0], wrong[1]]),
                        jnp.stack([wrong[0], right[1]])])  # fmt: skip
    label = jax.nn.log_softmax(labels, axis=0)  # (3, 2, n)
    label = jnp.take_along_axis(label, jnp.maximum(birds.label, 0)[None, None], axis=0)[0]
    density += jnp.where(birds.label >= 0, label, 0.0)
    density += jax.nn.log_sigmoid(jnp.stack([log_share, -log_share]))
    return density.T


def _negative_log_joint(theta: Any, birds: Birds, traits: Traits, sizes: Any) -> Any:
    parts = unpack(theta, sizes)
    log_density = class_log_density(theta, birds, traits, sizes)
    log_likelihood = (birds.weight * jax.scipy.special.logsumexp(log_density, axis=1)).sum()
    away = parts.common - traits.direction
    penalty = (parts.share**2).sum() / SHARE_SD**2
    penalty += (parts.share_group**2).sum() / SHARE_GROUP_SD**2
    penalty += ((parts.label + 1.0) ** 2).sum() / LABEL_SD**2
    penalty += (parts.label_group**2).sum() / LABEL_SD**2
    penalty += (away**2).sum() / LEVEL_SD**2
    penalty += (traits.smooth * jnp.diff(away, axis=-1) ** 2).sum() / STEP_SD**2
    away = parts.by_group - traits.direction_group
    penalty += (away**2).sum() / LEVEL_SD**2
    steps = traits.smooth[: sizes[3], None] * jnp.diff(away, axis=-1) ** 2
    penalty += steps.sum() / GROUP_SD**2
    return -log_likelihood + 0.5 * penalty


def _derivatives(theta: Any, phi: Any, birds: Birds, traits: Traits, sizes: Any) -> Any:  # noqa: ARG001
    value, gradient = jax.value_and_grad(_negative_log_joint)(theta, birds, traits, sizes)

    def row(tangent: Any) -> Any:
        slope = jax.grad(_negative_log_joint)
        return jax.jvp(lambda at: slope(at, birds, traits, sizes), (theta,), (tangent,))[1]

    # a few rows at a time: all at once would hold birds × parameters × traits in memory
    return value, gradient, jax.lax.map(row, jnp.eye(theta.size), batch_size=16)


derivatives = jax.jit(_derivatives, static_argnums=4)
value_and_gradient = jax.jit(jax.value_and_grad(_negative_log_joint), static_argnums=3)
log_density = jax.jit(class_log_density, static_argnums=3)
