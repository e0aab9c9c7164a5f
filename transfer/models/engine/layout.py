"""Where the compiled density finds its numbers: the model's buffer and the work space, as views.

The buffer is what `transfer.models.engine.density.native_data` packs. Rows are settings and columns
players, so that one setting of all players lies in one piece. Rows are filled up with players of
whom nothing is known to a length (`width`) that the vector instructions divide: their coordinates
stay zero, and they add nothing to any sum.
"""

from __future__ import annotations

from collections import namedtuple
from typing import Any

import numba
import numpy as np
from numba.core import cgutils
from numba.extending import intrinsic

from transfer.models.engine.loops import fill, jit

__all__ = ["sheet", "starts", "state", "unpack", "work_size"]

_HEADER = 16
#: Shape of LKJ; scales of contest and defender; degrees of freedom of the tilt; standard deviation
#: of the logarithm of tau; the two shapes of the persistence.
_SCALES = 7

# What a function is given travels as single numbers and pointers: in groups, so that each gets only
# those it needs. Compiling takes twice as long with all of them everywhere.

#: The model: counts, constants of the priors, directions of the columns and of the defenders,
#: players, cells, and the settings in the order of the Cholesky factor.
Data = namedtuple("Data", "count prior column basis player cell order")
Count = namedtuple(
    "Count",
    "size units groups cells steps defenders columns distance family tilt width programs seasons",
)
Prior = namedtuple("Prior", "mu tau tilt scales slope group program")
#: Columns with normal slopes, turned into directions: prior mean in each direction, where the
#: likelihood centres its noise and how narrow, and the way back to the slopes of the columns.
Column = namedtuple("Column", "mean centre root back")
Basis = namedtuple("Basis", "direction precision response")
#: `group` of each player-season, `program` of each group; the player's season before this one, or
#: -1, and how many there are before it.
PlayerData = namedtuple("PlayerData", "precision response group program previous rank")
CellData = namedtuple("CellData", "n y weight feet columns unit setting contest defender")

#: What one evaluation works out; g... are gradients in the value of that name.
State = namedtuple("State", "value factor group program player season cell term")
Value = namedtuple("Value", "tau slope mu mu_precision sd program_sd gtau")
Factor = namedtuple("Factor", "partial sech rest chol gchol")
#: A level of groups: programs, or program-seasons with or without programs above them.
Level = namedtuple("Level", "precision response w r centre gcentre gprecision gresponse")
#: By number of earlier seasons: weight of their sum, spread about it, and gradients in both.
Season = namedtuple("Season", "share root gshare groot")
#: `gmean` takes the place of `mean` and `gresponse` that of `theta` once these have been used. `w`
#: is the deviation in units of its spread, `own` what is left of it given the player's earlier
#: seasons, whose deviations add up to `sum`: the memory of `w` where nobody has two seasons.
Player = namedtuple(
    "Player",
    "response w r root gap before mean gmean theta gresponse gtheta extra x own sum "
    "first second third last",
)
Cell = namedtuple("Cell", "offset goffset eta e power bits")
Term = namedtuple("Term", "effect geffect defender gdefender w r")


@intrinsic
def _pointer(context: Any, address: Any) -> Any:
    """Turn an address into the pointer that `numba.carray` takes."""

    def generate(target: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.inttoptr(arguments[0], cgutils.voidptr_t)

    return numba.types.voidptr(address), generate


# Views by address: numba compiles slices and reshapes several times as long.
@jit
def _line(address: Any, at: Any, length: Any) -> Any:
    return numba.carray(_pointer(address + 8 * at), (length,), np.float64)


@jit
def sheet(address: Any, at: Any, rows: Any, columns: Any) -> Any:
    """Rows and columns of numbers that begin `at` numbers after the address."""
    return numba.carray(_pointer(address + 8 * at), (rows, columns), np.float64)


@jit
def _whole(address: Any, at: Any, length: Any) -> Any:
    return numba.carray(_pointer(address + 8 * at), (length,), np.int64)


@jit
def unpack(a: Any) -> Any:
    """Arrays of the model as views of the buffer at address `a`; counts come first in it."""
    head = _whole(a, 0, _HEADER)
    s, g, n, c, v, j, u = head[1], head[3], head[4], head[5], head[6], head[7], head[11]
    pairs = s * (s - 1) // 2
    tau = _HEADER + 2 * s
    slope = tau + s + 2 * pairs + _SCALES
    column = slope + 4 * s
    basis = column + 3 * j + j * j
    unit = basis + v * (v + 2)
    cell = unit + 2 * u * s
    whole = cell + (4 + j) * n
    known = whole + 3 * u + g
    return Data(
        Count(s, head[2], g, n, c, v, j, head[8], head[9], head[10], u, head[12], head[13]),
        Prior(
            sheet(a, _HEADER, 2, s), _line(a, tau, s), sheet(a, tau + s, 2, pairs),
            _line(a, slope - _SCALES, _SCALES), sheet(a, slope, 2, s),
            _line(a, slope + 2 * s, s), _line(a, slope + 3 * s, s),
        ),
        Column(
            _line(a, column, j), _line(a, column + j, j), _line(a, column + 2 * j, j),
            sheet(a, column + 3 * j, j, j),
        ),
        Basis(
            sheet(a, basis, v, v), _line(a, basis + v * v, v), _line(a, basis + v * v + v, v)
        ),
        PlayerData(
            sheet(a, unit, s, u), sheet(a, unit + u * s, s, u), _whole(a, whole, u),
            _whole(a, whole + 3 * u, g), _whole(a, whole + u, u), _whole(a, whole + 2 * u, u),
        ),
        CellData(
            _line(a, cell, n), _line(a, cell + n, n), _line(a, cell + 2 * n, n),
            _line(a, cell + 3 * n, n), sheet(a, cell + 4 * n, j, n), _whole(a, known, n),
            _whole(a, known + n, n), _whole(a, known + 2 * n, n), _whole(a, known + 3 * n, n),
        ),
        _whole(a, known + 4 * n, s),
    )  # fmt: skip


@jit
def _sums(c: Any) -> int:
    """Length of the part of the work space that starts at zero, for counts `c`."""
    s = c.size
    levels = 5 * (c.groups + c.programs) * s
    return int(s * (1 + s + 3 * c.width) + levels + 2 * c.seasons + c.steps + 1 + c.defenders)


@jit
def work_size(c: Any) -> int:
    """Length of the work space that `state` divides, for counts `c`."""
    s = c.size
    values = s * (6 + 4 * s + 3 * (c.groups + c.programs) + 8 * c.width)
    values += c.steps + 1 + 3 * c.defenders + 2 * c.seasons
    seasons = 2 * s * c.width if c.seasons > 1 else 0
    return int(_sums(c) + values + seasons + 4 * c.width + 5 * c.cells)


@jit
def _level(a: Any, zero: Any, values: Any, groups: Any, size: Any) -> Any:
    """Views of one level of groups: sums from `zero` on, the rest from `values` on."""
    n = groups * size
    return Level(
        sheet(a, zero, groups, size), sheet(a, zero + n, groups, size),
        sheet(a, values, groups, size), sheet(a, values + n, groups, size),
        sheet(a, values + 2 * n, groups, size), sheet(a, zero + 2 * n, groups, size),
        sheet(a, zero + 3 * n, groups, size), sheet(a, zero + 4 * n, groups, size),
    )  # fmt: skip


@jit
def state(count: Any, a: Any) -> Any:
    """Views of a work space at address `a`, which the caller keeps alive; sums are set to zero."""
    s, u, g, n = count.size, count.width, count.groups, count.cells
    c, v, h, t = count.steps + 1, count.defenders, count.programs, count.seasons
    sq, gs, us, hs = s * s, g * s, u * s, h * s
    fill(_line(a, 0, _sums(count)), 0.0)
    pr = s + sq
    un = pr + 5 * (gs + hs)
    se = un + 3 * us
    ef = se + 2 * t
    va = ef + c + v
    ch = va + 6 * s
    wr = ch + 4 * sq
    sh = wr + 3 * (gs + hs)
    de = sh + 2 * t
    ro = de + c + 3 * v
    ow = ro + (8 if t > 1 else 1) * us
    su = ow + us if t > 1 else ro
    li = ro + 8 * us + (2 * us if t > 1 else 0)
    ce = li + 4 * u
    return State(
        Value(
            _line(a, va, s), _line(a, va + s, s), _line(a, va + 2 * s, s),
            _line(a, va + 3 * s, s), _line(a, va + 4 * s, s), _line(a, va + 5 * s, s),
            _line(a, 0, s),
        ),
        Factor(
            sheet(a, ch, s, s), sheet(a, ch + sq, s, s), sheet(a, ch + 2 * sq, s, s),
            sheet(a, ch + 3 * sq, s, s), sheet(a, s, s, s),
        ),
        _level(a, pr, wr, g, s), _level(a, pr + 5 * gs, wr + 3 * gs, h, s),
        Player(
            sheet(a, ro, s, u), sheet(a, ro + us, s, u), sheet(a, ro + 2 * us, s, u),
            sheet(a, ro + 3 * us, s, u), sheet(a, ro + 4 * us, s, u), sheet(a, ro + 5 * us, s, u),
            sheet(a, ro + 6 * us, s, u), sheet(a, ro + 6 * us, s, u), sheet(a, ro + 7 * us, s, u),
            sheet(a, ro + 7 * us, s, u), sheet(a, un, s, u), sheet(a, un + us, s, u),
            sheet(a, un + 2 * us, s, u), sheet(a, ow, s, u), sheet(a, su, s, u),
            _line(a, li, u), _line(a, li + u, u), _line(a, li + 2 * u, u), _line(a, li + 3 * u, u),
        ),
        Season(
            _line(a, sh, t), _line(a, sh + t, t), _line(a, se, t), _line(a, se + t, t)
        ),
        Cell(
            _line(a, ce, n), _line(a, ce + n, n), _line(a, ce + 2 * n, n),
            _line(a, ce + 3 * n, n), _line(a, ce + 4 * n, n), _whole(a, ce + 4 * n, n),
        ),
        Term(
            _line(a, de, c), _line(a, ef, c), _line(a, de + c, v), _line(a, ef + c, v),
            _line(a, de + c + v, v), _line(a, de + c + 2 * v, v),
        ),
    )  # fmt: skip


@jit
def starts(c: Any) -> Any:
    """Where each block of coordinates begins, for counts `c`; the last entry is their number.

    Means, spreads, correlations, players, spreads of groups and groups, distance, contest,
    defenders (their spread first), columns, spreads of programs above the groups and programs,
    persistence.
    """
    s = c.size
    many = c.groups > 1
    at = np.zeros(14, dtype=np.int64)
    at[1] = s
    at[2] = at[1] + s
    at[3] = at[2] + s * (s - 1) // 2
    at[4] = at[3] + c.units * s
    at[5] = at[4] + (s if many else 0)
    at[6] = at[5] + (c.groups * s if many else 0)
    at[7] = at[6] + (s if c.distance else 0)
    at[8] = at[7] + c.steps
    at[9] = at[8] + (1 + c.defenders if c.defenders else 0)
    at[10] = at[9] + c.columns
    at[11] = at[10] + (s if c.programs else 0)
    at[12] = at[11] + c.programs * s
    at[13] = at[12] + (1 if c.seasons > 1 else 0)
    return at
