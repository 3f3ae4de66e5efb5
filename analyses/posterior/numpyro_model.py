"""The stage posterior written anew for NumPyro: nothing of firelab's density in it."""

from __future__ import annotations

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from numpyro.infer import MCMC, NUTS

from firelab.series.declared_parts import PriorSpecification

jax.config.update("jax_enable_x64", True)


def grade_model(
    X, grade, groups, wish: PriorSpecification, half, columns, n_grades, bent, refired=None
) -> None:
    """Cumulative logit of a working kiln, priors as series.toml states them.

    `groups` holds, for each random effect by name, the group of each look (-1 where it is
    not known) and the scale of its deviation, degC.

    `half` holds half the range of temperature, degC, and of dwell, doublings.
    `bent`, where the time at heat counts, holds the warming up that a firing loses a number
    of times, and the shortest, middle and longest dwell, s.
    `refired`, where tiles were fired on, holds of each look its own dwell and warming up,
    of each earlier firing the degC above that of the look, its dwell and its warming up,
    all in s.
    """
    inner, half_degC, half_doublings = n_grades - 2, *half
    blur = numpyro.sample("blur", dist.LogNormal(jnp.log(wish.blur), wish.blur_spread))
    # 20 to 80 % of a logistic is twice the logit of 0.8.
    steepness = 2.0 * jnp.log(4.0) * half_degC / blur
    tile = tile_deviation(groups, wish)
    # The blur is that of first looks: logistic within a tile, normal between tiles.
    steepness = steepness * jnp.sqrt(1.0 + 3.0 * (tile / jnp.pi) ** 2)
    place = numpyro.sample("place", dist.Normal(wish.place, wish.place_spread))
    width = wish.grade_width * min(1.0, 2.0 / inner)
    with numpyro.plate("inner", inner):
        gap = numpyro.sample("gap", dist.LogNormal(jnp.log(width), wish.grade_width_spread))
    steps = jnp.concatenate([jnp.zeros(1), jnp.cumsum(gap)]) / half_degC
    cuts = numpyro.deterministic("thresholds", steepness * (place + steps - steps.mean()))
    effects = []
    if bent is not None or refired is not None:
        lost = numpyro.sample("lost", dist.LogNormal(jnp.log(wish.lost), wish.lost_spread))
    if bent is not None:
        ends = jnp.maximum(bent[1:] - lost * bent[0], 0.25 * bent[1:])
        half_logs = 0.5 * jnp.log(ends[2] / ends[0])
        bend = 0.5 * jnp.log(ends[1] ** 2 / (ends[0] * ends[2])) / half_logs
        share = jnp.minimum(bend, 0.3)
    for name in columns:
        if name == "temperature":
            effects.append(steepness)
        elif name == "dwell":
            doubling = numpyro.sample(
                "doubling", dist.LogNormal(jnp.log(wish.doubling), wish.doubling_spread)
            )
            effects.append(steepness * doubling * half_doublings / half_degC)
        elif name == "dwell^2":
            effects.append(-share * effects[columns.index("dwell")])
        else:
            degC = numpyro.sample(name, dist.Normal(0.0, wish.effect))
            effects.append(steepness * degC / half_degC)
    beta = numpyro.deterministic("coefficients", jnp.stack(effects))
    eta = X @ beta
    if refired is not None:
        # What is left of each firing counts at the look's temperature, s.
        own, own_warm, above, dwell, warm = refired
        rate = half_logs / (doubling * half_doublings)
        left = jnp.maximum(dwell - lost * warm, 0.0) * jnp.exp(rate * above)
        again = (dwell > 0.0).any(axis=1)
        total = jnp.maximum(own, lost * own_warm) + left.sum(axis=1)
        at_heat, at = (
            jnp.maximum(total - lost * bent[0], 0.25 * total),
            columns.index("dwell"),
        )
        more = jnp.log(at_heat / ends[1]) / half_logs - X[:, at] + share * X[:, at] ** 2
        eta = eta + jnp.where(again, beta[at] * more, 0.0)
    eta = eta + deviations(groups, tile, steepness / half_degC)
    odds = numpyro.sample(
        "slip", dist.Normal(jnp.log(wish.slip / (1.0 - wish.slip)), wish.slip_spread)
    )
    slip = 1.0 / (1.0 + jnp.exp(-odds))
    reached = 1.0 / (1.0 + jnp.exp(eta[:, None] - cuts))
    ends = jnp.concatenate(
        [jnp.zeros((len(eta), 1)), reached, jnp.ones((len(eta), 1))], axis=1
    )
    chance = jnp.diff(ends, axis=1)[jnp.arange(len(eta)), grade]
    numpyro.factor("grade", jnp.log((1.0 - slip) * chance + slip / n_grades).sum())


def tile_deviation(groups, wish: PriorSpecification):
    """Sample what tiles differ by, in latent units of a look at one; 0 where none is."""
    if "tile" not in groups:
        return 0.0
    stated = 2.0 * jnp.log(4.0) * wish.tile / wish.blur
    return numpyro.sample("latent tile", dist.HalfNormal(stated))


def deviations(groups, tile, per_degC):
    """Sample the random effects; return their sum for each look, latent units."""
    found = 0.0
    for name, (group, scale_degC) in groups.items():
        if name == "tile":
            sd = tile
            numpyro.deterministic("sd tile", sd / per_degC)
        else:
            sd = per_degC * numpyro.sample(f"sd {name}", dist.HalfNormal(scale_degC))
        with numpyro.plate(f"groups of {name}", int(group.max()) + 1):
            score = numpyro.sample(f"score {name}", dist.Normal())
        found = found + jnp.where(group >= 0, sd * score[group], 0.0)
    return found


def sample_general(
    X, grade, groups, wish, half, columns, n_grades, *, seed: int, bent=None, refired=None
) -> dict[str, np.ndarray]:
    """Return NUTS draws by name, chains by steps by shape."""
    sampler = MCMC(
        NUTS(grade_model, target_accept_prob=0.95),
        num_warmup=1500,
        num_samples=2500,
        num_chains=4,
        chain_method="sequential",
        progress_bar=False,
    )
    sampler.run(
        jax.random.PRNGKey(seed),
        jnp.asarray(X),
        jnp.asarray(grade),
        groups,
        wish,
        half,
        columns,
        n_grades,
        bent,
        refired,
    )
    return {
        name: np.asarray(v) for name, v in sampler.get_samples(group_by_chain=True).items()
    }
