"""The mean over a window that is not a gate, against drawn noise."""

import math

import numpy as np
import numpy.typing as npt
import pytest

from labref.frequency.asynchrony import Gate
from labref.frequency.windows import NoiseModel, window_u
from labref.model.channel import Weighting
from labref.model.errors import InputError

SLOTS = 50  # per second
Array = npt.NDArray[np.float64]


def spectrum_noise(exponent: int, draws: int, seed: int) -> Array:
    """Means over 1/SLOTS s of 20 s of noise S = 1/f**exponent, float64 (draws, 20 * SLOTS).

    From random phases at 1/320 s and its multiples, so that the low frequencies are there too.
    """
    rng = np.random.default_rng(seed)
    length = 320 * SLOTS
    f = np.fft.rfftfreq(length, 1 / SLOTS)
    gain = np.zeros_like(f)
    gain[1:] = np.sqrt(f[1:] ** -float(exponent)) * np.sinc(f[1:] / SLOTS)
    # One-sided density 1: variance per line df, split between two quadratures of rfft.
    scale = length * math.sqrt(1 / 320) / 2
    out = []
    for _ in range(draws):
        line = rng.normal(size=f.size) + 1j * rng.normal(size=f.size)
        out.append(np.fft.irfft(line * gain * scale, length)[: 20 * SLOTS])
    return np.array(out)


def mean(noise: Array, gate: Gate) -> Array:
    t = (np.arange(noise.shape[1]) + 0.5) / SLOTS
    result: Array = noise @ gate.weight(t) / SLOTS
    return result


CASES = [
    (Gate(5.0, 5.5), [Gate(5.0, 6.0)]),
    (Gate(5.2, 5.4), [Gate(5.0, 6.0)]),
    (Gate(8.0, 12.0), [Gate(7.5, 8.5), Gate(8.5, 9.5), Gate(9.5, 10.5)]),
    (Gate(5.0, 6.0), [Gate(5.0, 7.0, Weighting.LAMBDA)]),
    (Gate(5.0, 6.0), [Gate(5.3, 6.3, Weighting.OMEGA)]),
    (Gate(9.0, 10.0), [Gate(5.0, 6.0)]),
]


@pytest.mark.parametrize(("window", "gates"), CASES)
@pytest.mark.parametrize(
    ("exponent", "model"),
    [
        (0, NoiseModel(white=math.sqrt(1 / 2))),
        (1, NoiseModel(flicker=math.sqrt(2 * math.log(2)))),
        (2, NoiseModel(walk=math.sqrt(2 * math.pi**2 / 3))),
    ],
)
def test_drawn_noise(window: Gate, gates: list[Gate], exponent: int, model: NoiseModel) -> None:
    noise = spectrum_noise(exponent, 1_500, seed=exponent)
    measured = sum(mean(noise, gate) for gate in gates) / len(gates)
    got = window_u(model, window, gates)
    assert float(np.std(mean(noise, window) - measured)) / got == pytest.approx(1, abs=0.06)


def test_a_100_ms_window_in_a_1_s_gate_differs_by_three_sigma_in_white_fm() -> None:
    model = NoiseModel(white=7.0)
    got = window_u(model, Gate(0.4, 0.5), [Gate(0.0, 1.0)])
    assert got / model.sigma(1.0) == pytest.approx(3.0)


def test_flicker_does_not_fall_with_the_number_of_gates() -> None:
    model = NoiseModel(flicker=1.0)
    one = window_u(model, Gate(0.0, 0.1), [Gate(0.0, 1.0)])
    ten = window_u(model, Gate(0.0, 0.1), [Gate(float(i), i + 1.0) for i in range(10)])
    assert ten > one > 0.5


def test_drift_has_a_lever_and_the_same_gate_has_no_error() -> None:
    model = NoiseModel(drift_per_s=2.0)
    assert window_u(model, Gate(0.0, 1.0), [Gate(3.0, 4.0)]) == pytest.approx(6.0)
    noisy = NoiseModel(1.0, 1.0, 1.0, 1.0)
    assert window_u(noisy, Gate(0.0, 1.0), [Gate(0.0, 1.0)]) == pytest.approx(0, abs=1e-7)


def test_shares_weigh_the_gates() -> None:
    gates = [Gate(0.0, 1.0), Gate(1.0, 2.0)]
    model = NoiseModel(white=1.0)
    assert window_u(model, Gate(0.0, 1.0), gates, [1.0, 0.0]) == pytest.approx(0, abs=1e-9)
    with pytest.raises(InputError, match="at least one gate"):
        window_u(model, Gate(0.0, 1.0), [])
    with pytest.raises(InputError, match="share"):
        window_u(model, Gate(0.0, 1.0), gates, [1.0])


def test_allan_deviation_of_the_model() -> None:
    assert NoiseModel(3.0, 4.0, 0.0).sigma(1.0) == pytest.approx(5.0)
    assert NoiseModel(white=2.0, walk=1.0).sigma(4.0) == pytest.approx(math.sqrt(1 + 4))
