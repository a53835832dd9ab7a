"""The line model against published tables, handbook formulas and an independent transmission-line library."""

from __future__ import annotations

import cmath
import decimal
import math
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from chainplan.budgets.line.twisted_pair import (
    CABLE_CLASSES,
    CableClass,
    connector_loss,
    derated,
    loss,
    mismatch_drop,
    mismatch_loss,
    pair_impedance,
    temperature_factor,
    twisted_permittivity,
    velocity,
    worst_loss,
)
from chainplan.quantity import Span

MHZ = 10**12  # uHz
METRE = 10**9  # nm
DB = 10**6  # udB
OHM = 10**3  # mohm
CAT5E = CABLE_CLASSES["category 5e"]

frequencies = st.integers(10**9, 600 * MHZ)  # 1 kHz to 600 MHz
lengths = st.integers(0, 2000 * METRE)
classes = st.sampled_from(list(CABLE_CLASSES.values()))
impedances = st.integers(10 * OHM, 1000 * OHM)


def _made_up(k1: str = "0", k2: str = "0", k3: str = "0", fixed: str = "500", root: str = "0") -> CableClass:
    return CableClass(
        name="made up",
        k1=Fraction(k1),
        k2=Fraction(k2),
        k3=Fraction(k3),
        delay_fixed=Fraction(fixed),
        delay_root=Fraction(root),
        connector=Fraction(0),
        connector_least=Fraction(0),
        lowest=1,
        highest=MHZ,
        source="none",
    )


# Published class tables ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mhz", "db", "ns"),
    [
        # ANSI/TIA-568 category 5e, loss formula from memory, evaluated independently to 3 decimals; delay
        # 534 + 36/sqrt(f): 570 ns at 1 MHz confirmed.
        (1, 2.040, 570.0),
        (4, 4.051, 552.0),
        (10, 6.466, 545.4),
        (16, 8.249, 543.0),
        (100, 21.975, 537.6),
    ],
)
def test_category_5e_loss_and_delay_of_100_m(mhz: int, db: float, ns: float) -> None:
    # Half a digit each way: at 16 MHz the formula gives 8.2485 exactly.
    assert loss(CAT5E, mhz * MHZ, 100 * METRE) / DB == pytest.approx(db, abs=0.000501)
    assert round(100 * 10**6 / velocity(CAT5E, mhz * MHZ) * 1e9, 1) == ns


@pytest.mark.parametrize(
    ("name", "table"),
    [
        # Loss tables printed in ANSI/TIA-568-B.2, -B.2-1 and -B.2-10, dB per 100 m to one decimal, from
        # memory.
        ("category 5", {1: 2.0, 10: 6.5, 16: 8.2, 20: 9.3, 62.5: 17.0, 100: 22.0}),
        (
            "category 5e",
            {1: 2.0, 4: 4.1, 8: 5.8, 10: 6.5, 16: 8.2, 20: 9.3, 25: 10.4, 31.25: 11.7, 100: 22.0},
        ),
        ("category 6", {1: 2.0, 4: 3.8, 10: 6.0, 16: 7.6, 31.25: 10.7, 62.5: 15.4, 100: 19.8, 200: 29.0}),
        ("category 6A", {1: 2.1, 100: 19.1, 250: 31.1, 500: 45.3}),
    ],
)
def test_class_tables(name: str, table: dict[float, float]) -> None:
    for mhz, db in table.items():
        # A printed decimal stands for anything within half a digit of it.
        assert loss(CABLE_CLASSES[name], int(mhz * MHZ), 100 * METRE) / DB == pytest.approx(db, abs=0.0501)


@pytest.mark.parametrize(("mhz", "printed"), [(1, 0.1), (10, 0.1), (16, 0.2), (100, 0.4)])
def test_connector_loss(mhz: int, printed: float) -> None:
    # ANSI/TIA-568 connecting hardware, 0.04*sqrt(f), at least 0.1 dB, printed to one decimal.
    assert round(connector_loss(CAT5E, mhz * MHZ) / DB, 1) == printed


def test_connector_loss_is_exact_where_the_root_is() -> None:
    assert connector_loss(CAT5E, 1 * MHZ) == DB // 10
    assert connector_loss(CAT5E, 16 * MHZ) == 160_000
    assert connector_loss(CAT5E, 10 * MHZ) == 126_492  # 126 491.106... rounded up


def test_10base_t_link() -> None:
    # IEEE 802.3 clause 14: at most 11.5 dB from 5 to 10 MHz, at most 1000 ns. 100 m of category 5e leave
    # 5.034 dB.
    spent = worst_loss(CAT5E, 5 * MHZ, 10 * MHZ, 100 * METRE)
    assert round((11.5 * DB - spent) / DB, 3) == 5.034
    # By hand: 11.5 / 6.466012 * 100 m = 177.853 m use it up; the delay a little later, 1000 / (534 +
    # 36/sqrt(5)) * 100 m = 181.785 m.
    assert worst_loss(CAT5E, 5 * MHZ, 10 * MHZ, 177_853 * METRE // 1000) / DB == pytest.approx(11.5, abs=1e-4)
    assert velocity(CAT5E, 5 * MHZ) / 1e6 * 1000e-9 == pytest.approx(181.785, abs=0.001)


def test_velocity_of_category_5e_is_known_as_a_share_of_light() -> None:
    # 100 m in 545.384 ns at 10 MHz: 0.6116 c. Slower than the 0.69 c of makers' data (common practice, no
    # source).
    assert velocity(CAT5E, 10 * MHZ) / 1e6 / 299_792_458 == pytest.approx(0.61161, abs=5e-6)


# Exact rounding --------------------------------------------------------------------------------------------


def _digits(value: Fraction | int) -> decimal.Decimal:
    return decimal.Decimal(value.numerator) / decimal.Decimal(value.denominator)


@given(classes, frequencies, lengths)
def test_loss_rounds_up_by_less_than_one_tick(cable: CableClass, frequency: int, length: int) -> None:
    # The published formula in 60-digit arithmetic, written as it stands in the standard.
    with decimal.localcontext() as context:
        context.prec = 60
        f = _digits(Fraction(frequency, MHZ))
        db = _digits(cable.k1) * f.sqrt() + _digits(cable.k2) * f + _digits(cable.k3) / f.sqrt()
        exact = db * _digits(Fraction(length, 100 * METRE)) * DB
        # 1e-40 is the doubt of the 60 digits, not of the function: an exact tick must not be called exceeded.
        assert exact - decimal.Decimal("1e-40") <= loss(cable, frequency, length) < exact + 1


@given(classes, frequencies)
def test_velocity_rounds_down_by_less_than_one_tick(cable: CableClass, frequency: int) -> None:
    # The published formula in 60-digit arithmetic, written as it stands in the standard: ns per 100 m.
    with decimal.localcontext() as context:
        context.prec = 60
        f = _digits(Fraction(frequency, MHZ))
        ns = _digits(cable.delay_fixed) + _digits(cable.delay_root) / f.sqrt()
        exact = 100 * 10**6 / (ns * decimal.Decimal("1e-9"))
        doubt = decimal.Decimal("1e-5")  # of the way over which it is worked out
        assert exact - 1 - doubt < velocity(cable, frequency) <= exact + decimal.Decimal("1e-40")


@pytest.mark.parametrize(
    ("fixed", "root"),
    [("500", "0"), ("0", "500"), ("250", "250"), ("400", "100"), ("100", "400")],
)
def test_velocity_is_exact_where_the_answer_is_whole(fixed: str, root: str) -> None:
    # 500 ns per 100 m at 1 MHz, where the root of the frequency is 1: 200 000 km/s.
    assert velocity(_made_up(k1="1", fixed=fixed, root=root), MHZ) == 2 * 10**14


@pytest.mark.parametrize("length", range(1, 60))
def test_loss_where_a_single_tick_matters(length: int) -> None:
    # At 100 GHz these coefficients come to 2 + sqrt(2.5) udB per nm: small whole numbers, where a root
    # rounded the wrong way shows.
    assert loss(_made_up("500", "2"), 10**17, length) == math.ceil(length * (2 + math.sqrt(2.5)))


@given(classes, frequencies, frequencies, st.floats(0, 1), lengths)
def test_no_frequency_of_a_band_is_worse_than_its_ends(
    cable: CableClass, one: int, other: int, share: float, length: int
) -> None:
    low, high = sorted((one, other))
    inside = min(high, low + int((high - low) * share))
    assert loss(cable, inside, length) <= worst_loss(cable, low, high, length)
    assert connector_loss(cable, inside) <= connector_loss(cable, high)
    assert velocity(cable, low) <= velocity(cable, inside)


def test_the_low_end_of_a_band_can_be_the_worse_one() -> None:
    falling = _made_up(k3="1")
    assert worst_loss(falling, MHZ, 4 * MHZ, 100 * METRE) == loss(falling, MHZ, 100 * METRE) == DB


def test_derating() -> None:
    # ANSI/TIA/EIA-568-B.2 (from memory): 0.4 % per K to 40 degC, then 0.6 % per K to 60 degC.
    assert temperature_factor(-40_000) == temperature_factor(20_000) == 1
    assert temperature_factor(40_000) == Fraction("1.08")
    assert temperature_factor(60_000) == Fraction("1.2")
    hot = derated(CAT5E, temperature_factor(60_000), "60 degC")
    assert round(loss(hot, 10 * MHZ, 100 * METRE) / DB, 3) == round(6.466012 * 1.2, 3)
    assert connector_loss(hot, 100 * MHZ) == connector_loss(CAT5E, 100 * MHZ)
    assert velocity(hot, MHZ) == velocity(CAT5E, MHZ)
    assert "60 degC" in hot.name
    assert "x 1.2" in hot.source


def test_bands() -> None:
    assert CAT5E.covers(MHZ, 100 * MHZ)
    assert not CAT5E.covers(MHZ // 2, 10 * MHZ)
    assert not CAT5E.covers(MHZ, 101 * MHZ)


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="frequency"):
        loss(CAT5E, 0, METRE)
    with pytest.raises(ValueError, match="length"):
        loss(CAT5E, MHZ, -1)
    with pytest.raises(ValueError, match="frequency"):
        velocity(CAT5E, 0)
    with pytest.raises(ValueError, match="negative"):
        _made_up(k1="1", k2="-0.1")
    with pytest.raises(ValueError, match="both a loss"):
        _made_up()
    with pytest.raises(ValueError, match="60 degC"):
        temperature_factor(60_001)
    with pytest.raises(ValueError, match="at least 1"):
        derated(CAT5E, Fraction("0.9"), "better")
    with pytest.raises(ValueError, match="touch"):
        pair_impedance(1.0, 1.0, 2.0)
    with pytest.raises(ValueError, match="permittivity"):
        pair_impedance(2.0, 1.0, 0.9)
    with pytest.raises(ValueError, match="lay too short"):
        twisted_permittivity(1.0, 2.0, 2.25)
    with pytest.raises(ValueError, match="impedance"):
        mismatch_loss(Span.exact(0), Span.exact(1), Span.exact(1))


# Geometry --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spacing", "diameter", "permittivity", "ohm"),
    # Handbook two-wire line, Z0 = 119.92/sqrt(er) * acosh(D/d), evaluated independently.
    [(1.0, 0.5, 2.25, 105.284), (1.4, 0.8, 2.8, 83.045), (1.6, 0.8, 1.0, 157.926)],
)
def test_two_wire_line(spacing: float, diameter: float, permittivity: float, ohm: float) -> None:
    assert round(pair_impedance(spacing, diameter, permittivity), 3) == ohm


def test_two_wire_line_against_its_logarithmic_form_far_apart() -> None:
    # 120*ln(2D/d) is the handbook approximation for distant wires; close wires it overstates (110.904 ohm
    # here).
    assert pair_impedance(1000.0, 1.0, 1.0) == pytest.approx(119.917 * math.log(2000), rel=1e-5)
    assert pair_impedance(1.0, 0.5, 2.25) < 120 / 1.5 * math.log(4) == pytest.approx(110.904, abs=1e-3)


def test_twisted_pair_of_lefferson() -> None:
    # Lefferson 1971: D 1.0 mm, d 0.5 mm, er 2.25, 50 turns/m (lay 20 mm): er_eff 1.35235, Z0 135.80 ohm
    # (its pitch angle is 8.927 degrees).
    effective = twisted_permittivity(1.0, 20.0, 2.25)
    assert round(effective, 5) == 1.35235
    assert round(pair_impedance(1.0, 0.5, effective), 2) == 135.80


# Independent line models -----------------------------------------------------------------------------------


def _media(name: str, mhz: float, **constants: Any) -> Any:
    """Return a scikit-rf medium at one frequency (imported here: the library takes a second to load)."""
    import skrf
    from skrf import media

    return getattr(media, name)(skrf.Frequency(mhz, mhz, 1, "mhz"), **constants)


def _s21(medium: Any, metres: float, port: float) -> complex:
    network = medium.line(metres, "m")
    network.renormalize(port)
    return complex(network.s[0, 1, 0])


def _transducer_loss(phase: float, neper: float, line: float, source: float, load: float) -> float:
    """Return a line's loss (dB) between resistances (ohm): the test's own ABCD matrix of a line.

    V1 = a*V2 + b*I2, I1 = c*V2 + d*I2; power available over power into the load (Pozar, Microwave
    Engineering, table 4.1). ``phase`` (rad) and ``neper`` are those of the whole line.
    """
    angle = complex(neper, phase)
    a = d = cmath.cosh(angle)
    b, c = line * cmath.sinh(angle), cmath.sinh(angle) / line
    return 20 * math.log10(abs(a * load + b + c * source * load + d * source) / math.sqrt(4 * source * load))


@pytest.mark.parametrize("port", [50.0, 120.0])
@pytest.mark.parametrize("metres", [0.35, 5.0, 7.5, 12.3])
def test_the_matrix_of_this_file_against_scikit_rf(port: float, metres: float) -> None:
    # 120 ohm, free of distortion (R/L = G/C), so that the line's impedance is real: 5 ns and 0.02 Np per m.
    medium = _media("DistributedCircuit", 10, R=2.4, L=0.6e-6, C=0.6e-6 / 120**2, G=2.4 / 120**2)
    expected = -20 * math.log10(abs(_s21(medium, metres, port)))
    phase = 2 * math.pi * 10e6 * 5e-9 * metres
    assert _transducer_loss(phase, 0.02 * metres, 120, port, port) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("mhz", [1, 10, 100])
def test_class_loss_and_velocity_against_scikit_rf(mhz: int) -> None:
    # A matched scikit-rf line with the class's attenuation and phase must show our loss and velocity in S21.
    f = mhz * 1e6
    neper = (1.967 * math.sqrt(mhz) + 0.023 * mhz + 0.050 / math.sqrt(mhz)) / 100 * math.log(10) / 20
    radian = 2 * math.pi * f * (534 + 36 / math.sqrt(mhz)) * 1e-11
    medium = _media("DefinedGammaZ0", mhz, gamma=complex(neper, radian), z0=100)
    metres = 0.9 / (f * 6e-9)  # below one wavelength, so the phase is not ambiguous
    s21 = _s21(medium, metres, 100)
    length = int(metres * METRE)
    assert loss(CAT5E, mhz * MHZ, length) / DB == pytest.approx(-20 * math.log10(abs(s21)), abs=2e-6)
    turned = -cmath.phase(s21) % (2 * math.pi)
    seconds = metres * 1e6 / velocity(CAT5E, mhz * MHZ)
    assert seconds == pytest.approx(turned / (2 * math.pi * f), rel=1e-6)


# Mismatch --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("one", "other"), [(50, 75), (75, 50)])
def test_where_two_resistances_meet(one: int, other: int) -> None:
    # Textbook: 50 to 75 ohm reflects 0.2 of the voltage and loses -10*log10(1 - 0.04) = 0.177 288 dB.
    left, right = Span.exact(one * OHM), Span.exact(other * OHM)
    assert mismatch_loss(left, right, right) == mismatch_loss(left, left, right) == 177_288
    assert mismatch_loss(left, left, left) == 0


def test_a_voltage_loses_more_than_a_power_where_a_small_load_ends_a_line() -> None:
    # Pozar, Microwave Engineering, chapter 2 (from memory): 108 behind 132 ohm, Gamma = -24/240 = -0.1.
    # Voltage: 1 + Gamma = 0.9, 20*log10(1/0.9) = 0.915 150 dB. Power: -10*log10(1 - 0.01) = 0.043 648 dB.
    line, load = Span.exact(132 * OHM), Span.exact(108 * OHM)
    assert mismatch_drop(line, line, load) == 915_150
    assert mismatch_loss(line, line, load) == 43_649
    # a large load raises the voltage, which is not counted on
    assert mismatch_drop(load, load, line) == 0
    assert mismatch_drop(line, line, line) == 0
    # 100 ohm on a quarter wave of 200 ohm into 100 ohm: (200/100 + 100/200)/2 = 1.25, 1.938 201 dB
    assert mismatch_drop(Span.exact(100 * OHM), Span.exact(200 * OHM), Span.exact(100 * OHM)) == 1_938_201


@given(impedances, impedances, impedances, st.floats(0, 2 * math.pi), st.floats(0, 3))
def test_no_length_and_no_attenuation_drops_more_voltage_than_the_bound(
    source: int, line: int, load: int, phase: float, neper: float
) -> None:
    # By waves to and fro on the line (Pozar, chapter 2): 2*V+ = Vs*(1 - G_s)*e^-g/(1 - G_s*G_l*e^-2g), and
    # the load has V+*(1 + G_l); into a load like itself the source gives Vs/2.
    g_s, g_l = (source - line) / (source + line), (load - line) / (load + line)
    gamma = cmath.exp(-complex(neper, phase))
    at_load = abs((1 - g_s) * gamma / (1 - g_s * g_l * gamma**2) * (1 + g_l))
    bound = mismatch_drop(Span.exact(source), Span.exact(line), Span.exact(load)) / DB
    assert -20 * math.log10(at_load) <= 20 * math.log10(math.e) * neper + bound + 1e-9


def test_a_quarter_wave_between_equal_ends() -> None:
    # A quarter-wave line of Z0 turns 100 ohm into Z0^2/100 (textbook). 200 ohm line: 400 ohm seen from 100
    # ohm, (100 + 400)^2 / (4*100*400) = 1.5625: 1.938 200 dB.
    both = Span.exact(100 * OHM)
    assert mismatch_loss(both, Span.exact(200 * OHM), both) == 1_938_201


def test_mismatch_loss_takes_the_unfavourable_end() -> None:
    line = Span(90 * OHM, 100 * OHM, 125 * OHM)
    ends = Span.exact(100 * OHM)
    worst_corner = mismatch_loss(ends, Span.exact(125 * OHM), ends)
    assert mismatch_loss(ends, line, ends) == worst_corner > mismatch_loss(ends, Span.exact(90 * OHM), ends)


@given(impedances, impedances, impedances, st.floats(0, 2 * math.pi), st.floats(0, 3))
def test_no_length_and_no_attenuation_exceeds_the_mismatch_bound(
    source: int, line: int, load: int, phase: float, neper: float
) -> None:
    matched = 20 * math.log10(math.e) * neper
    bound = mismatch_loss(Span.exact(source), Span.exact(line), Span.exact(load)) / DB
    lost = _transducer_loss(phase, neper, line / OHM, source / OHM, load / OHM)
    assert lost <= matched + bound + 1e-9  # what the floating-point matrix may be off


@given(impedances, impedances, impedances)
def test_some_length_reaches_the_mismatch_bound(source: int, line: int, load: int) -> None:
    reached = max(
        _transducer_loss(phase, 0.0, line / OHM, source / OHM, load / OHM) for phase in (math.pi, math.pi / 2)
    )
    bound = mismatch_loss(Span.exact(source), Span.exact(line), Span.exact(load))
    assert bound - 1 <= reached * DB + 1e-3


intervals = st.tuples(impedances, impedances, st.floats(0, 1))


@given(intervals, intervals, impedances)
def test_no_value_inside_the_spans_is_worse(
    line: tuple[int, int, float], load: tuple[int, int, float], source: int
) -> None:
    def inside(ends: tuple[int, int, float]) -> tuple[Span, Span]:
        low, high = sorted(ends[:2])
        middle = low + int((high - low) * ends[2])
        return Span(low, middle, high), Span.exact(middle)

    (line_span, line_value), (load_span, load_value) = inside(line), inside(load)
    assume(line_span.min < line_span.max)
    fixed = Span.exact(source)
    assert mismatch_loss(fixed, line_value, load_value) <= mismatch_loss(fixed, line_span, load_span)
