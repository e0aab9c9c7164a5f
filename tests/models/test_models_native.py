"""The compiled density against the PyMC model: same value up to a constant, same gradient."""

from __future__ import annotations

import ctypes
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erfc

from transfer.models.engine.density import native_data, native_model, variables
from transfer.models.priors import TransferPriors
from transfer.models.transfer_design import TransferDesign
from transfer.models.transfer_model import build_transfer_model

ALL_TERMS = frozenset(
    {"programs", "seasons", "returners", "distance", "contest", "defender", "covariates"}
)
LOGNORMAL = TransferPriors()
HALF_NORMAL = replace(
    LOGNORMAL, tau_family="half_normal", tau_practice_sd=0.5, tau_game_sd=0.25, tilt_df=None
)
UNIFORM = replace(HALF_NORMAL, tau_family="uniform", tau_practice_sd=1.3, tau_game_sd=0.8)
INVERSE_GAMMA = replace(
    HALF_NORMAL, tau_family="inverse_gamma_variance", tau_practice_sd=1.5, tau_game_sd=2.0
)


def small_design(k: int, terms: frozenset[str], seed: int = 5) -> TransferDesign:
    """Few units, several cells each (one without attempts), any combination of terms."""
    rng = np.random.default_rng(seed)
    units, programs = 5, 2 if "programs" in terms else 1
    per = 1 if not terms - {"programs", "seasons", "returners"} else 2
    unit, setting = (a.ravel() for a in np.indices((units, k + 1)))
    unit, setting = np.repeat(unit, per), np.repeat(setting, per)
    cells = len(unit)
    n = rng.integers(1, 60, cells)
    n[2] = 0
    extra: dict[str, object] = {}
    if "seasons" in terms:
        # Three seasons of the first program, one of the second.
        program = np.arange(units) % programs
        season = np.where(program == 0, np.arange(units) // 2, 3)
        extra |= {"season": season, "seasons": ("A/1", "A/2", "A/3", "B/1")[: season.max() + 1]}
    if "returners" in terms:
        extra["player"] = np.array([0, 1, 0, 2, 0])
    if "distance" in terms:
        extra["distance"] = rng.normal(0, 3, cells)
    if "contest" in terms:
        extra["contest"] = np.where(setting == k, rng.integers(0, 3, cells), 0)
        extra["contests"] = ("none", "light", "front")
    if "defender" in terms:
        extra["defender"] = rng.integers(-1, 3, cells)
        extra["defenders"] = ("D01", "D02", "D03")
    if "covariates" in terms:
        extra["covariates"] = rng.normal(size=(cells, 2))
        extra["covariate_priors"] = ((0.0, 1.0), (0.2, 0.4))
    return TransferDesign(
        settings=tuple(f"rep/{i}" for i in range(k)),
        units=tuple(f"P{i:02d}" for i in range(units)),
        programs=tuple("AB"[:programs]),
        n=n, y=rng.binomial(n, 0.4), unit=unit, setting=setting,
        program=np.arange(units) % programs, **extra,
    )  # fmt: skip


def half_normal(t: np.ndarray, scale: np.ndarray | float) -> np.ndarray:
    """Mean of the positive part of a normal variable with mean t, in units of scale."""
    share = erfc(-t / np.sqrt(2)) / 2
    return scale * (t * share + np.exp(-(t**2) / 2) / np.sqrt(2 * np.pi))


class Map:
    """From the compiled model's coordinates to PyMC's, written again in plain (complex) numpy.

    Complex arguments give exact derivatives by the complex step, so the comparison of gradients
    is not limited by differences. `log_scales` is the log determinant of the map.
    """

    def __init__(self, design: TransferDesign, priors: TransferPriors) -> None:
        self.design, self.priors = design, priors
        self.buffer = native_data(design, priors).buffer
        units, size = design.dims
        seasons, programs = design.season is not None, len(design.programs)
        self.group = design.season if seasons else design.program
        self.above = np.zeros(self.group.max() + 1, dtype=int)
        self.above[self.group] = design.program
        self.upper = programs if seasons and programs > 1 else 0
        header = self.buffer.view(np.int64)
        cells, defenders, columns, width = (int(header[i]) for i in (4, 6, 7, 11))
        at = 16 + 2 * size + size + size * (size - 1) + 7 + 4 * size
        self.columns = self.buffer[at:][: 3 * columns].reshape(3, columns)
        at += 3 * columns
        self.back = self.buffer[at:][: columns**2].reshape(columns, columns)
        at += columns**2
        basis = self.buffer[at:][: defenders * (defenders + 2)].reshape(defenders + 2, defenders)
        self.basis, self.basis_precision, self.basis_response = basis[:-2], basis[-2], basis[-1]
        at += basis.size
        rows = self.buffer[at:][: 2 * width * size].reshape(2, size, width)
        assert np.all(rows[:, :, units:] == 0)
        self.precision, self.response = rows[:, :, :units].transpose(0, 2, 1)
        #: The settings in the order of the Cholesky factor, and where each of them is in it.
        self.order = header[-size:]
        self.rank = np.argsort(self.order)
        # Cells lie setting by setting; back to the order of the design.
        kept = np.flatnonzero(design.n > 0)
        self.weight = np.zeros(len(design.n))
        turn = kept[np.argsort(self.rank[design.setting[kept]], kind="stable")]
        if len(turn) == cells:
            self.weight[turn] = self.buffer[at + rows.size + 2 * cells :][:cells]

    def take(self, x: np.ndarray) -> dict[str, np.ndarray]:
        """Split the coordinates by block."""
        design = self.design
        units, size = design.dims
        groups, steps = len(self.above), max(len(design.contests) - 1, 0)
        shapes = {
            "mu": (size,),
            "tau": (size,),
            "z": (size * (size - 1) // 2,),
            "unit": (size, units),
        }
        if groups > 1:
            shapes |= {"group_sd": (size,), "group": (groups, size)}
        if design.distance is not None:
            shapes["distance"] = (size,)
        if steps:
            shapes["contest"] = (steps,)
        if design.defenders:
            shapes |= {"defender_sd": (), "defender": (len(design.defenders),)}
        if design.covariates is not None:
            shapes["covariate"] = (design.covariates.shape[1],)
        if self.upper:
            shapes |= {"program_sd": (size,), "program": (self.upper, size)}
        if design.player is not None:
            shapes["persistence"] = ()
        parts, at = {}, 0
        for name, shape in shapes.items():
            count = int(np.prod(shape, dtype=int))
            parts[name] = x[at : at + count].reshape(shape)
            at += count
        assert at == len(x)
        return parts

    def logged(self, t, scale):
        """Half-normal value, and PyMC's coordinate, its logarithm."""
        value = half_normal(t, scale)
        self.logs += np.log(scale * erfc(-t / np.sqrt(2)) / 2 / value).sum()
        return value, np.log(value)

    def spread(self, t):
        """tau in the order of the Cholesky factor, and PyMC's coordinate by family."""
        k = len(t) - 1
        scale = np.array([self.priors.tau_practice_sd] * k + [self.priors.tau_game_sd])[self.order]
        if self.priors.tau_family == "lognormal":
            log_sd = self.priors.tau_log_sd
            self.logs += len(t) * np.log(log_sd)
            return scale * np.exp(log_sd * t), np.log(scale) + log_sd * t, "tau_log__"
        if self.priors.tau_family == "half_normal":
            return *self.logged(t, scale), "tau_log__"
        if self.priors.tau_family == "uniform":
            return scale / (1 + np.exp(-t)), t, "tau_interval__"
        return np.exp(-t / 2), t, "tau_precision_log__"

    def level(self, parts, part, level, out):
        """Signed standard deviations of a level of groups, and their signs."""
        k = len(self.design.settings)
        name = [f"{level}_sd"] * k + [f"{level}_game_sd"]
        scale = np.array([getattr(self.priors, n) for n in name])[self.order]
        sd, sign, logged = self.folded(parts[f"{part}_sd"], scale)
        out[f"{level}_sd_log__"] = logged[self.rank]
        return sd, sign

    def folded(self, t, scale):
        """Signed standard deviation, its sign, and PyMC's coordinate log |sd|."""
        sign = np.sign(t.real)
        self.logs -= np.log(sign * t).sum()
        return scale * t, sign, np.log(sign * scale * t)

    def offsets(self, parts: dict, out: dict) -> np.ndarray:
        """Optional terms per cell; puts PyMC's coordinates of them into `out`."""
        design, priors = self.design, self.priors
        k = len(design.settings)
        total = np.zeros(len(design.n), dtype=complex)
        if design.distance is not None:
            prior = np.array([priors.beta_distance_practice] * k + [priors.beta_distance_game]).T
            out["beta_distance"] = prior[0] + prior[1] * parts["distance"][self.rank]
            self.logs += np.log(prior[1]).sum()
            total += out["beta_distance"][design.setting] * design.distance
        if design.contest is not None:
            step, out["contest_step_log__"] = self.logged(parts["contest"], priors.contest_step_sd)
            effect = np.concatenate([[0], -np.cumsum(step)])
            total += effect[design.contest]
        if design.defender is not None:
            folded = self.folded(parts["defender_sd"], priors.defender_sd)
            sd, sign, out["defender_sd_log__"] = folded
            count = len(design.defenders)
            turned = (np.full(count, sd), self.basis_precision, self.basis_response)
            _, w = self.drawn(np.zeros(count), *turned, parts["defender"])
            # PyMC's coordinate is the noise, not the value; the basis is a rotation.
            self.logs -= count * np.log(sign * sd)
            out["z_defender"] = sign * (w @ self.basis)
            effect = np.append(sd * (w @ self.basis), 0)
            total += effect[design.defender]
        if design.covariates is not None:
            mean, centre, root = self.columns
            out["beta_covariate"] = self.back @ (mean + centre + root * parts["covariate"])
            self.logs += np.log(root).sum() + np.linalg.slogdet(self.back)[1]
            total += design.covariates @ out["beta_covariate"]
        return total

    def cholesky(self, z: np.ndarray, size: int) -> np.ndarray:
        """Cholesky factor from partial correlations, in the model's own order of settings."""
        chol = np.zeros((size, size), dtype=complex)
        chol[0, 0] = 1
        at = 0
        for i in range(1, size):
            rest = 1.0 + 0j
            for j in range(i):
                chol[i, j] = np.tanh(z[at]) * np.sqrt(rest)
                self.logs += np.log(1 - np.tanh(z[at]) ** 2) + np.log(rest) / 2
                rest = rest * (1 - np.tanh(z[at]) ** 2)
                at += 1
            chol[i, i] = np.sqrt(rest)
        return chol

    def reordered(self, chol: np.ndarray, white: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Cholesky factor and white noise in PyMC's order of settings."""
        omega, size = chol @ chol.T, len(chol)
        other = plain_cholesky(omega[np.ix_(self.rank, self.rank)])
        # Off the diagonal d Omega / d L is triangular: row i, column j has L_jj in its diagonal.
        power = size - 1 - np.arange(size)
        self.logs += (power * np.log(np.diag(chol) / np.diag(other))).sum()
        # From L to PyMC's row coordinates.
        self.logs -= ((np.arange(1, size) + 2) * np.log(np.diag(other)[1:])).sum()
        self.logs += len(white) * np.log(np.diag(chol) / np.diag(other)).sum()
        return other, np.linalg.solve(other, (white @ chol.T)[:, self.rank].T).T

    def drawn(self, m, s, precision, response, x):
        """Value and white noise of one informed deviation."""
        r = 1 / (1 + precision * s**2)
        w = s * (response - precision * m) * r + x * np.sqrt(r)
        self.logs += (np.log(np.sign(s.real) * s) + np.log(r) / 2).sum()
        return m + s * w, w

    def centres(self, parts, out, tau, response):
        """Mean and programs, drawn with the players summed out; PyMC's coordinates into `out`."""
        design, priors, rank = self.design, self.priors, self.rank
        size = len(tau)
        k = size - 1
        share = 1 / (1 + self.precision * tau**2)
        groups = len(self.above)
        v, n = np.zeros((2, groups, size), dtype=complex)
        np.add.at(v, self.group, self.precision * share)
        np.add.at(n, self.group, response * share)
        level = "program" if design.season is None else "season"
        sd, sign = self.level(parts, "group", level, out) if groups > 1 else np.zeros((2, size))
        e = 1 / (1 + v * sd**2)
        if self.upper:
            top, top_sign = self.level(parts, "program", "program", out)
            up_v, up_n = np.zeros((2, self.upper, size), dtype=complex)
            np.add.at(up_v, self.above, v * e)
            np.add.at(up_n, self.above, n * e)
            up_e = 1 / (1 + up_v * top**2)
            told = ((up_v * up_e).sum(0), (up_n * up_e).sum(0))
        else:
            told = ((v * e).sum(0), (n * e).sum(0))
        loc, scale = np.array([priors.mu_practice] * k + [priors.mu_game])[self.order].T
        precision = 1 / scale**2 + told[0]
        mu = (loc / scale**2 + told[1]) / precision + parts["mu"] / np.sqrt(precision)
        self.logs -= np.log(precision).sum() / 2
        out["mu"] = mu[rank]
        centre = np.tile(mu, (groups, 1))
        if self.upper:
            above = np.tile(mu, (self.upper, 1))
            wide = np.tile(top, (self.upper, 1))
            above, noise = self.drawn(above, wide, up_v, up_n, parts["program"])
            out["z_program"] = (top_sign * noise)[:, rank]
            self.logs -= self.upper * np.log(top_sign * top).sum()
            centre = above[self.above]
        if groups > 1:
            wide = np.tile(sd, (groups, 1))
            centre, noise = self.drawn(centre, wide, v, n, parts["group"])
            out[f"z_{level}"] = (sign * noise)[:, rank]
            # PyMC's coordinate is the noise, not the value.
            self.logs -= groups * np.log(sign * sd).sum()
        return centre

    def players(self, parts, out, values):
        """White noise of every player-season, seasons given the player's earlier ones."""
        centre, tau, chol, response = values
        design = self.design
        units, size = design.dims
        between = np.eye(units, dtype=complex)
        if design.player is not None:
            out["persistence_logodds__"] = parts["persistence"]
            phi = 1 / (1 + np.exp(-parts["persistence"]))
            same = np.equal.outer(design.player, design.player)
            between = plain_cholesky(phi * same + (1 - phi) * np.eye(units))
        own, mixed = np.zeros((2, units, size), dtype=complex)
        for j in range(size):
            m = centre[self.group, j] + tau[j] * (mixed[:, :j] @ chol[j, :j])
            for p in range(units):
                s = tau[j] * chol[j, j]
                mean = np.array(m[p] + s * (between[p, :p] @ own[:p, j]))
                s = np.array(s * between[p, p])
                known = self.precision[p, j], response[p, j]
                _, own[p, j] = self.drawn(mean, s, *known, parts["unit"][j, p])
                self.logs -= np.log(s)
            mixed[:, j] = between @ own[:, j]
        return own

    def __call__(self, x: np.ndarray) -> tuple[dict[str, np.ndarray], complex]:
        design, size = self.design, self.design.dims[1]
        self.logs = 0j
        parts, out = self.take(x), {}
        rank = self.rank
        tau, coordinate, name = self.spread(parts["tau"])
        out[name] = coordinate[rank]
        response = self.response.astype(complex)
        offset = self.offsets(parts, out)
        if self.precision.any() and np.any(offset != 0):
            kept = design.n > 0
            np.add.at(response, (design.unit[kept], rank[design.setting[kept]]),
                      -(self.weight * offset)[kept])  # fmt: skip
        centre = self.centres(parts, out, tau, response)
        chol = self.cholesky(parts["z"], size)
        w = self.players(parts, out, (centre, tau, chol, response))
        chol, out["z"] = self.reordered(chol, w)
        out["tau"], out["chol"] = tau[rank], chol
        if size > 1:
            rows = (chol / np.diag(chol)[:, None])[1:, :-1]
            out["omega_cholesky_cholesky_corr__"] = rows
        return out, self.logs


def plain_cholesky(matrix: np.ndarray) -> np.ndarray:
    """Lower factor of a symmetric, perhaps complex, matrix without conjugates."""
    low = np.zeros_like(matrix)
    for i in range(len(matrix)):
        for j in range(i):
            low[i, j] = (matrix[i, j] - low[i, :j] @ low[j, :j]) / low[j, j]
        low[i, i] = np.sqrt(matrix[i, i] - low[i, :i] @ low[i, :i])
    return low


def plain_mode():
    """Neither rewrites nor C: a graph this small is used three times."""
    from pytensor.compile.mode import Mode

    return Mode(linker="py", optimizer=None)


def pymc_functions(design, priors):
    """Value and gradient of the PyMC model in its own coordinates, compiled the cheap way."""
    import pytensor
    import pytensor.tensor as pt

    with pytensor.config.change_flags(cxx="", mode="FAST_COMPILE"):
        model = build_transfer_model(design, priors, centred=False)
        logp = model.logp(jacobian=True)
        grads = pt.grad(logp, model.value_vars)
        function = pytensor.function(
            model.value_vars, [logp, *grads], mode=plain_mode(), on_unused_input="ignore"
        )
    return [v.name for v in model.value_vars], function


@cache
def spiral(size: int) -> np.ndarray:
    """Position of every element of the rows in PyMC's vector, by its spiral order."""
    from pymc.distributions.transforms import CholeskyCorrTransform

    order = np.arange(1.0, size * (size - 1) // 2 + 1)
    filled = CholeskyCorrTransform(size)._fill_triangular_spiral(order)
    return np.asarray(filled.eval(mode=plain_mode())).astype(int) - 1


def pymc_vector(names, mapped, size):
    """Coordinates in PyMC's order."""
    values = []
    for name in names:
        value = mapped[name]
        if name == "omega_cholesky_cholesky_corr__":
            lower = np.tril_indices(size - 1)
            flat = np.zeros(len(lower[0]), dtype=complex)
            flat[spiral(size)[lower]] = value[lower]
            value = flat
        values.append(np.asarray(value))
    return values


def jacobian(to_pymc, names, x, size):
    """Derivative of PyMC's coordinates in the compiled model's, by the complex step."""
    columns = []
    for i in range(len(x)):
        step = x.astype(complex)
        step[i] += 1e-30j
        mapped, logs = to_pymc(step)
        columns.append([*np.concatenate([v.ravel() for v in pymc_vector(names, mapped, size)]).imag,
                        logs.imag])  # fmt: skip
    full = np.array(columns).T / 1e-30
    return full[:-1], full[-1]


CASES = [
    *[(k, frozenset(), HALF_NORMAL) for k in (0, 1, 3)],
    *[(2, frozenset({term}), HALF_NORMAL) for term in sorted(ALL_TERMS)],
    (0, ALL_TERMS, HALF_NORMAL),
    (0, frozenset({"programs"}), INVERSE_GAMMA),
    (1, ALL_TERMS - {"programs"}, UNIFORM),
    (2, ALL_TERMS - {"contest"}, INVERSE_GAMMA),
    (2, ALL_TERMS - {"defender", "distance"}, HALF_NORMAL),
    (3, ALL_TERMS, UNIFORM),
    (4, ALL_TERMS, HALF_NORMAL.untilted(2.0)),
    (1, frozenset({"seasons", "returners"}), LOGNORMAL),
    (2, frozenset({"covariates", "programs", "seasons"}), LOGNORMAL),
    (2, frozenset({"programs", "seasons", "returners"}), LOGNORMAL.for_verdict()),
    (4, ALL_TERMS, LOGNORMAL),
    (2, frozenset(), LOGNORMAL.for_verdict()),
]


@pytest.mark.parametrize(("k", "terms", "priors"), CASES)
def test_density_is_that_of_the_pymc_model(k, terms, priors):
    design = small_design(k, terms)
    data = native_data(design, priors)
    to_pymc = Map(design, priors)
    names, function = pymc_functions(design, priors)
    rng = np.random.default_rng(3)
    constants = []
    for trial in range(3):
        x = rng.normal(0, 0.7, data.dim)
        value, grad = data.log_density(x)
        mapped, logs = to_pymc(x.astype(complex))
        reference, *parts = function(*(v.real for v in pymc_vector(names, mapped, k + 1)))
        full, log_grad = jacobian(to_pymc, names, x, k + 1)
        expected = full.T @ np.concatenate([np.ravel(p) for p in parts]) + log_grad
        np.testing.assert_allclose(grad, expected, rtol=1e-8, atol=1e-8 * np.abs(expected).max())
        constants.append(value - float(reference) - logs.real)
        if trial == 0:
            assert np.linalg.slogdet(full)[1] == pytest.approx(logs.real, rel=1e-9, abs=1e-9)
    np.testing.assert_allclose(constants, constants[0], rtol=1e-10, atol=1e-9)


def test_settings_that_are_hardly_known_come_last_in_the_factor():
    rng = np.random.default_rng(4)
    units, spread = 40, np.array([0.02, 0.8, 0.3, 0.1])
    n = np.broadcast_to([400, 400, 400, 60], (units, 4))
    design = TransferDesign(
        settings=("rep/a", "rep/b", "rep/c"),
        units=tuple(f"P{i:02d}" for i in range(units)),
        programs=("A", "B"),
        n=n.ravel(),
        y=rng.binomial(n, 1 / (1 + np.exp(-spread * rng.normal(size=(units, 4))))).ravel(),
        unit=np.repeat(np.arange(units), 4),
        setting=np.tile(np.arange(4), units),
        program=np.arange(units) % 2,
    )
    assert Map(design, HALF_NORMAL).order[:2].tolist() == [1, 2]


def test_the_cases_hold_settings_in_another_order():
    orders = [Map(small_design(k, terms), priors).order for k, terms, priors in CASES]
    assert any(np.any(np.diff(order) < 0) for order in orders)


def test_density_is_finite_where_a_spread_all_but_vanishes():
    data = native_data(small_design(2, frozenset()), HALF_NORMAL)
    x = np.zeros(data.dim)
    x[3:6] = [-12.0, -5.0, 12.0]
    value, grad = data.log_density(x)
    assert np.isfinite(value)
    assert np.all(np.isfinite(grad))


@settings(max_examples=25, deadline=None)
@given(
    k=st.integers(0, 3),
    terms=st.sets(st.sampled_from(sorted(ALL_TERMS))),
    priors=st.sampled_from(
        [LOGNORMAL, HALF_NORMAL, UNIFORM, INVERSE_GAMMA, HALF_NORMAL.untilted()]
    ),
    seed=st.integers(0, 10_000),
)
def test_gradient_is_the_slope_of_the_value(k, terms, priors, seed):
    data = native_data(small_design(k, frozenset(terms), seed), priors)
    rng = np.random.default_rng(seed)
    x, direction = rng.normal(0, 1, (2, data.dim))
    direction /= np.linalg.norm(direction)
    h = 1e-5
    above, below = (data.log_density(x + sign * h * direction)[0] for sign in (1, -1))
    slope = (above - below) / (2 * h)
    grad = data.log_density(x)[1]
    assert slope == pytest.approx(grad @ direction, rel=1e-5, abs=1e-5 * (1 + np.abs(grad).max()))


@pytest.mark.parametrize("k", [0, 2])
def test_draws_hold_the_rates_that_the_density_saw(k):
    design = small_design(k, ALL_TERMS)
    model, shapes = native_model(design, HALF_NORMAL), variables(design)
    x = np.random.default_rng(8).normal(0, 0.7, model.n_dim)
    out = np.full(model.n_expanded, np.nan)
    call = ctypes.CFUNCTYPE(ctypes.c_int64, *[ctypes.c_uint64] * 5)
    call(model.compiled_expand_func.address)(
        len(x), len(out), x.ctypes.data, out.ctypes.data, model.user_data.ctypes.data
    )
    draw = {name: out[part].reshape(shapes[name])
            for name, part in zip(shapes, model.shape_info[1], strict=True)}  # fmt: skip
    to_pymc = Map(design, HALF_NORMAL)
    mapped, _ = to_pymc(x.astype(complex))
    parts = to_pymc.take(x)
    chol, tau = mapped["chol"].real, mapped["tau"].real
    rank, game = to_pymc.rank, np.arange(k + 1) == k
    sd = np.abs(parts["program_sd"])[rank]
    sd *= np.where(game, HALF_NORMAL.program_game_sd, HALF_NORMAL.program_sd)
    season_sd = np.abs(parts["group_sd"])[rank]
    season_sd *= np.where(game, HALF_NORMAL.season_game_sd, HALF_NORMAL.season_sd)
    season = mapped["z_season"].real * season_sd
    phi = 1 / (1 + np.exp(-parts["persistence"]))
    same = np.equal.outer(design.player, design.player)
    noise = np.linalg.cholesky(phi * same + (1 - phi) * np.eye(len(same))) @ mapped["z"].real
    defender_sd = abs(HALF_NORMAL.defender_sd * parts["defender_sd"])
    effect = mapped["z_program"].real * sd
    np.testing.assert_allclose(draw["mu"], mapped["mu"].real)
    np.testing.assert_allclose(draw["tau"], tau)
    np.testing.assert_allclose(draw["program_sd"], sd)
    np.testing.assert_allclose(draw["program_effect"], effect, rtol=1e-9)
    np.testing.assert_allclose(draw["season_sd"], season_sd)
    np.testing.assert_allclose(draw["season_effect"], season, rtol=1e-9, atol=1e-12)
    assert draw["persistence"] == pytest.approx(phi)
    theta = draw["mu"] + effect[design.program] + season[design.season] + (noise @ chol.T) * tau
    np.testing.assert_allclose(draw["theta"], theta, rtol=1e-9)
    step = np.exp(mapped["contest_step_log__"].real)
    np.testing.assert_allclose(draw["beta_contest"], np.concatenate([[0], -np.cumsum(step)]))
    np.testing.assert_allclose(draw["beta_distance"], mapped["beta_distance"].real)
    np.testing.assert_allclose(draw["beta_covariate"], mapped["beta_covariate"].real, rtol=1e-9)
    if k:
        np.testing.assert_allclose(draw["omega"], chol @ chol.T, rtol=1e-9)
    np.testing.assert_allclose(draw["defender_sd"], defender_sd)
    np.testing.assert_allclose(
        draw["defender_effect"], mapped["z_defender"].real * defender_sd, rtol=1e-9, atol=1e-12
    )
