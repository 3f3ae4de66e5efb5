"""The stage posterior written anew for NumPyro: nothing of firelab's density in it."""

from __future__ import annotations

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from numpyro.infer import MCMC, NUTS

from firelab.series.declared_parts import PriorWish

jax.config.update("jax_enable_x64", True)


def grade_model(
    X, grade, load, wish: PriorWish, half, columns, n_grades, n_loads, refired=None
) -> None:
    """Cumulative logit with a load effect, priors as series.toml states them.

    `half` holds half the range of temperature, degC, and of dwell, doublings.
    `refired`, where tiles were fired on, holds the tile of each look, and of each of
    its firings the degC above that of the look and the doublings of the middle dwell.
    """
    inner, half_degC, half_doublings = n_grades - 2, *half
    blur = numpyro.sample("blur", dist.LogNormal(jnp.log(wish.blur), wish.blur_spread))
    # 20 to 80 % of a logistic is twice the logit of 0.8.
    steepness = 2.0 * jnp.log(4.0) * half_degC / blur
    place = numpyro.sample("place", dist.Normal(wish.place, wish.place_spread))
    width = wish.grade_width * min(1.0, 2.0 / inner)
    with numpyro.plate("inner", inner):
        gap = numpyro.sample("gap", dist.LogNormal(jnp.log(width), wish.grade_width_spread))
    steps = jnp.concatenate([jnp.zeros(1), jnp.cumsum(gap)]) / half_degC
    cuts = numpyro.deterministic("thresholds", steepness * (place + steps - steps.mean()))
    effects = []
    for name in columns:
        if name == "temperature":
            effects.append(steepness)
        elif name == "dwell":
            doubling = numpyro.sample(
                "doubling", dist.LogNormal(jnp.log(wish.doubling), wish.doubling_spread)
            )
            effects.append(steepness * doubling * half_doublings / half_degC)
        else:
            degC = numpyro.sample(name, dist.Normal(0.0, wish.effect))
            effects.append(steepness * degC / half_degC)
    beta = numpyro.deterministic("coefficients", jnp.stack(effects))
    load_sd = numpyro.sample("load_sd", dist.HalfNormal(wish.load_sd))
    with numpyro.plate("loads", n_loads):
        score = numpyro.sample("score", dist.Normal())
    eta = X @ beta + load_sd * score[load]
    if refired is not None:
        tile, above, doublings = refired
        # Each firing counts at the look's temperature; together they are one dwell.
        worth = doublings + above / doubling
        counted = jnp.log2(jnp.sum(2.0**worth, axis=1)) / half_doublings
        at = columns.index("dwell")
        eta = eta + beta[at] * (counted - X[:, at])
        tile_sd = numpyro.sample("tile_sd", dist.HalfNormal(wish.tile_sd))
        with numpyro.plate("tiles", int(tile.max()) + 1):
            own = numpyro.sample("own", dist.Normal())
        eta = eta + tile_sd * own[tile]
    numpyro.sample("grade", dist.OrderedLogistic(eta, cuts), obs=grade)


def sample_general(
    X, grade, load, wish, half, columns, n_grades, *, seed: int, refired=None
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
        jnp.asarray(load),
        wish,
        half,
        columns,
        n_grades,
        int(load.max()) + 1,
        refired,
    )
    return {
        name: np.asarray(v) for name, v in sampler.get_samples(group_by_chain=True).items()
    }
