"""The residual limb: volume, change, error and maturity."""

from __future__ import annotations

import datetime as dt
import math
import random
import statistics
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.plan import Circumference, Limb, LimbMeasurement, PositiveQuantity, Quantity
from fhircare.planner.limb import maturation, volume, volume_change

DAY = dt.date(2026, 11, 17)


def measured(*profile, on=DAY, unit="cm", reference="ischial level"):
    return LimbMeasurement(
        on=on,
        reference=reference,
        circumferences=tuple(
            Circumference(
                height=Quantity(value=Decimal(str(height)), unit=unit),
                girth=PositiveQuantity(value=Decimal(str(girth)), unit=unit),
            )
            for height, girth in profile
        ),
    )


def test_a_cylinder_is_a_cylinder():
    """Circumference 50 cm, 20 cm long: V = h C^2 / (4 pi) = 20 * 2500 / 12.566 = 3978.9 mL."""
    assert volume(measured((0, 50), (20, 50)), 5).ml == pytest.approx(3978.87, abs=0.01)


def test_one_truncated_cone_by_hand():
    """Circumferences 50 and 40 cm, 10 cm apart.

    V = 10 (2500 + 2000 + 1600) / (12 pi) = 61000 / 37.699 = 1618.1 mL.
    """
    assert volume(measured((0, 50), (10, 40)), 5).ml == pytest.approx(1618.07, abs=0.01)


@pytest.mark.parametrize(
    ("lower", "upper", "height", "published"),
    [(4.8, 4.1, 4.5, 70.13213), (4.1, 3.9, 4.5, 56.56045), (3.9, 3.2, 11.0, 109.2306)],
)
def test_truncated_cones_as_published(lower, upper, height, published):
    """Volumes from diameters, as tabled with four equivalent forms of the formula.

    Native Tree Society, "Computationally equivalent forms of formula for volume of frustum of cone",
    nativetreesociety.org/measure/volume/frustrum1.htm (diameters given; a circumference is pi times one).
    """
    found = volume(measured((0, lower * math.pi), (height, upper * math.pi)), 5)

    assert found.ml == pytest.approx(published, abs=2e-4)


def test_cones_are_summed():
    """Two cones measured as one profile are the two volumes together."""
    whole = volume(measured((0, 57.1), (5, 54.3), (10, 50.8)), 5).ml
    parts = [volume(measured((0, 57.1), (5, 54.3)), 5).ml, volume(measured((5, 54.3), (10, 50.8)), 5).ml]

    assert whole == pytest.approx(sum(parts))


@pytest.mark.parametrize(("unit", "factor"), [("mm", 10), ("m", 0.01), ("[in_i]", 1 / 2.54)])
def test_the_unit_does_not_matter(unit, factor):
    """The same limb in mm, m or inches has the same volume."""
    here = volume(measured((0, 50 * factor), (10 * factor, 40 * factor), unit=unit), 5)

    assert here.ml == pytest.approx(1618.07, abs=0.01)


def test_the_error_of_one_cone_by_hand():
    """dV/dC1 = h (2 C1 + C2) / (12 pi) = 10 * 140 / 37.699 = 37.136; dV/dC2 = 10 * 130 / 37.699 = 34.484.

    With 0.5 cm on each circumference: 0.5 * sqrt(37.136^2 + 34.484^2) = 0.5 * 50.678 = 25.339 mL.
    """
    assert volume(measured((0, 50), (10, 40)), 5).error_ml == pytest.approx(25.339, abs=0.005)


def test_the_error_is_what_repeated_measuring_shows():
    """Against simulation: the standard deviation of 4 000 volumes from girths with that error."""
    chance = random.Random(20261125)  # noqa: S311 - a fixed seed, nothing secret
    profile = [(0, 57.1), (5, 54.3), (10, 50.8), (15, 46.2), (20, 41.7)]

    def cones(girths):
        return sum(
            (h2 - h1) * (a * a + a * b + b * b) / (12 * math.pi)
            for ((h1, _), a), ((h2, _), b) in pairwise(zip(profile, girths, strict=True))
        )

    repeated = [cones([girth + chance.gauss(0, 0.5) for _, girth in profile]) for _ in range(4000)]
    assert volume(measured(*profile), 5).error_ml == pytest.approx(statistics.stdev(repeated), rel=0.05)


@given(st.lists(st.integers(25, 70), min_size=2, max_size=6), st.integers(1, 10))
def test_a_wider_limb_has_more_volume(girths, more):
    """Every circumference a little larger: more volume, whatever the shape."""
    profile = [(5 * n, girth) for n, girth in enumerate(girths)]
    wider = [(height, girth + more) for height, girth in profile]

    assert volume(measured(*wider), 5).ml > volume(measured(*profile), 5).ml


def test_one_circumference_has_no_volume():
    """A length takes two heights."""
    assert volume(measured((0, 50)), 5) is None


# --- change ------------------------------------------------------------------------------------------------

BEFORE = measured((0, 57.8), (5, 55.2), (10, 51.9), on=dt.date(2026, 10, 20))
AFTER = measured((0, 54.0), (5, 51.4), (10, 48.0))


def test_a_change_is_told_in_ml_and_percent_with_its_error():
    """Worked by hand, three circumferences each time.

    Before: 5 (57.8^2 + 57.8*55.2 + 55.2^2 + 55.2^2 + 55.2*51.9 + 51.9^2) / (12 pi)
          = 5 (3340.84 + 3190.56 + 3047.04 + 3047.04 + 2864.88 + 2693.61) / 37.6991 = 2411.7 mL
    After:  5 (2916.00 + 2775.60 + 2641.96 + 2641.96 + 2467.20 + 2304.00) / 37.6991 = 2088.5 mL
    Change: -323.2 mL = -13.4 %
    """
    change = volume_change(BEFORE, AFTER, 5)

    assert change.earlier.ml == pytest.approx(2411.7, abs=0.1)
    assert change.later.ml == pytest.approx(2088.5, abs=0.1)
    assert change.ml == pytest.approx(-323.2, abs=0.1)
    assert change.percent == pytest.approx(-13.4, abs=0.05)
    assert change.error_ml == pytest.approx(math.hypot(change.earlier.error_ml, change.later.error_ml))
    assert change.sure


def test_a_change_within_the_error_of_the_tape_is_none_to_be_sure_of():
    """Two millimetres of girth are less than the tape can tell."""
    later = measured((0, 57.6), (5, 55.0), (10, 51.7))

    assert not volume_change(BEFORE, later, 5).sure


def test_only_heights_measured_both_times_are_compared():
    """A height more on one day is not a change of the limb."""
    longer = measured((0, 54.0), (5, 51.4), (10, 48.0), (15, 44.0))

    assert volume_change(BEFORE, longer, 5).ml == volume_change(BEFORE, AFTER, 5).ml


def test_without_a_shared_length_or_reference_nothing_is_compared():
    """Heights or reference points that differ say nothing about change."""
    assert volume_change(BEFORE, measured((2, 54.0), (7, 51.4)), 5) is None
    assert volume_change(BEFORE, measured((0, 54.0), (5, 51.4), reference="perineum"), 5) is None


# --- maturity ----------------------------------------------------------------------------------------------
# Recovery is the first 12 to 18 months, mature beyond (Sanders and Fatone 2011, J Rehabil Res Dev 48(8):949).


@pytest.mark.parametrize(
    ("months", "measurements", "stage"),
    [
        (5, (), "recovering"),
        (11, (BEFORE, AFTER), "recovering"),
        (14, (BEFORE, AFTER), "recovering"),
        (14, (BEFORE, BEFORE), "late-recovery"),
        (14, (), "late-recovery"),
        (18, (), "mature"),
        (140, (BEFORE, BEFORE), "mature"),
        (140, (BEFORE, AFTER), "mature-but-changing"),
    ],
)
def test_maturity_follows_from_months_and_the_trend(months, measurements, stage):
    """Months decide first, the trend of the volume between them and afterwards."""
    year, month = divmod(2026 * 12 + 10 - months, 12)
    limb = Limb(side="left", amputated_on=dt.date(year, month + 1, 17), measurements=measurements)

    found = maturation(limb, DAY, recovery_months=12, mature_months=18, girth_error_mm=5)

    assert found.stage == stage
    assert str(months) in found.why


def test_without_a_date_of_amputation_maturity_is_unknown():
    """Nothing is guessed."""
    limb = Limb(side="left")

    assert maturation(limb, DAY, recovery_months=12, mature_months=18, girth_error_mm=5).stage == "unknown"
