"""Least squares for curves, with standard errors: a small Levenberg-Marquardt in numpy.

Used by `thermal`; scipy and the NIST StRD sets are the references in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hiltest.errors import HiltestError
from hiltest.physics._arguments import FloatArray, numbers, refuse, series

Model = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class Fit:
    """Result of a least-squares fit, parameters in the order of the start values.

    `standard_errors` are of the linearised problem at the solution; `residual_sd` is
    sqrt(RSS/(n − parameters)), `residual_sum_of_squares` the RSS, in the unit of y and its square.
    """

    parameters: tuple[float, ...]
    standard_errors: tuple[float, ...]
    residual_sd: float
    residual_sum_of_squares: float
    iterations: int


class NoFit(HiltestError):
    """These samples do not determine this curve. The call was right; the record holds too little."""


def fit_curve(
    model: Model,
    jacobian: Model,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    start: Sequence[float],
    *,
    max_iterations: int = 500,
) -> Fit:
    """Least-squares fit of `model(parameters, x)` to `y` (x and y one-dimensional, equally long).

    `jacobian(parameters, x)` returns the derivatives, shape (len(x), len(parameters)).
    Raises UsageError for too few or unequal samples, NoFit if it does not settle or the samples leave a
    parameter open.
    Source: D. W. Marquardt, J. SIAM 11 (1963) 431-441, with the scaling of J. J. More (1978).
    """
    x_array, y_array = series("x", x), series("y", y)
    parameters = numbers("start", start)
    if x_array.size != y_array.size:
        raise refuse("y", f"<{y_array.size} samples>", f"{x_array.size} samples, as many as x")
    if x_array.size <= parameters.size:
        raise refuse("x", f"<{x_array.size} samples>", f"more samples than the {parameters.size} parameters")
    # A far step may overflow the model; it then counts as no improvement.
    with np.errstate(over="ignore", invalid="ignore"):
        parameters, iterations = _descend(model, jacobian, x_array, y_array, parameters, max_iterations)
    residual = y_array - model(parameters, x_array)
    squares = float(residual @ residual)
    spread = math.sqrt(squares / (x_array.size - parameters.size))
    errors = spread * _unit_errors(jacobian(parameters, x_array))
    return Fit(tuple(parameters.tolist()), tuple(errors.tolist()), spread, squares, iterations)


def _descend(
    model: Model, jacobian: Model, x: FloatArray, y: FloatArray, parameters: FloatArray, most: int
) -> tuple[FloatArray, int]:
    residual = y - model(parameters, x)
    squares = float(residual @ residual)
    damping, scale = 1e-3, np.zeros(parameters.size)
    for iteration in range(1, most + 1):
        slopes = jacobian(parameters, x)
        scale = np.maximum(scale, np.sqrt(np.einsum("ij,ij->j", slopes, slopes)))
        if not (scale > 0.0).all():
            raise NoFit("no sample depends on one of the parameters; record more of the curve")
        while True:
            step = _damped_step(slopes, residual, damping, scale)
            tried = y - model(parameters + step, x)
            tried_squares = float(tried @ tried)
            if tried_squares <= squares:
                break
            damping *= 4.0
            if damping > 1e16:  # no step improves: a minimum to working precision
                return _determined(parameters, slopes, scale), iteration
        gained, moved = squares - tried_squares, float(np.max(np.abs(step) / (np.abs(parameters) + 1e-300)))
        parameters, residual, squares = parameters + step, tried, tried_squares
        damping = max(damping / 9.0, 1e-15)
        if squares == 0.0 or (gained <= 1e-15 * squares and moved <= 1e-10):
            return _determined(parameters, jacobian(parameters, x), scale), iteration
    raise NoFit(f"the fit did not settle in {most} steps; record more of the curve or start nearer")


def _determined(parameters: FloatArray, slopes: FloatArray, scale: FloatArray) -> FloatArray:
    """The parameters, unless one of them has lost all effect on the curve: a flat place, not a minimum."""
    if (np.sqrt(np.einsum("ij,ij->j", slopes, slopes)) < 1e-7 * scale).any():
        raise NoFit("a parameter ran to where it has no effect; start nearer or record more of the curve")
    return parameters


def _damped_step(slopes: FloatArray, residual: FloatArray, damping: float, scale: FloatArray) -> FloatArray:
    rows = np.vstack([slopes / scale, math.sqrt(damping) * np.eye(scale.size)])
    goal = np.concatenate([residual, np.zeros(scale.size)])
    step: FloatArray = np.linalg.lstsq(rows, goal, rcond=None)[0] / scale
    return step


def _unit_errors(slopes: FloatArray) -> FloatArray:
    """Square roots of the diagonal of (JᵀJ)⁻¹."""
    norms = np.sqrt(np.einsum("ij,ij->j", slopes, slopes))
    if not (norms > 0.0).all():
        raise NoFit("no sample depends on one of the parameters; record more of the curve")
    _, singular, vectors = np.linalg.svd(slopes / norms, full_matrices=False)
    if singular[-1] <= 1e-9 * singular[0]:
        raise NoFit("the samples can't tell two of the parameters apart; record more of the curve")
    scaled = vectors.T / singular
    errors: FloatArray = np.sqrt(np.einsum("ij,ij->i", scaled, scaled)) / norms
    return errors
