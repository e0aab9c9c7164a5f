"""Series stay apart for colour-blind readers and in grey print.

Dichromacy is simulated with the full-severity matrices of Machado, Oliveira and Fernandes (2009)
on linear RGB; distances are CIE 1976 L*a*b* (D65). Matrices and formulas from memory. Limits are
judgement, no source: a distance of 20 is plain to see, and marks of two series differ in shape and
line as well.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from transfer.page import style

MACHADO = {
    "none": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)  # fmt: skip
WHITE = TO_XYZ @ np.ones(3)
SERIES = [*style.MODE_COLOURS.values(), style.PALE]


def linear(colour: str) -> np.ndarray:
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    t = TO_XYZ @ np.clip(rgb, 0, 1) / WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(a: str, b: str, sight: str) -> float:
    seen = [lab(np.asarray(MACHADO[sight]) @ linear(c)) for c in (a, b)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def test_the_simulation_keeps_greys_and_confuses_what_it_should():
    for sight, matrix in MACHADO.items():
        np.testing.assert_allclose(np.asarray(matrix) @ np.ones(3), 1.0, atol=1e-4, err_msg=sight)
    red, green = "#C00000", "#4A7A00"
    assert distance(red, green, "none") > 80
    assert distance(red, green, "deuteranopia") < distance(red, green, "none") / 3


@pytest.mark.parametrize("sight", MACHADO)
@pytest.mark.parametrize(("a", "b"), list(combinations(SERIES, 2)))
def test_series_stay_apart(a, b, sight):
    assert distance(a, b, sight) > 20


def test_series_stay_apart_in_grey_print():
    lightness = sorted(lab(linear(colour))[0] for colour in style.MODE_COLOURS.values())
    assert min(np.diff(lightness)) > 7
    assert len(set(style.MARKERS.values())) == len(style.MODE_COLOURS)


@pytest.mark.parametrize("colour", SERIES)
def test_marks_reach_the_contrast_of_graphics_on_white(colour):
    """3 to 1, WCAG 2.1 success criterion 1.4.11."""
    assert 1.05 / (TO_XYZ[1] @ linear(colour) + 0.05) >= 3.0
