"""The Sun against published positions."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from apexfix.sun import sun_angles
from apexfix.units import DEG


def test_the_sun_stands_where_the_published_algorithm_puts_it():
    # I. Reda and A. Andreas, "Solar position algorithm for solar radiation applications", Solar Energy 76 (2004) 577-589, the
    # worked example: topocentric zenith 50.11162 and azimuth 194.34024 degrees, with refraction (820 hPa, 11 degrees Celsius).
    mountain = timezone(timedelta(hours=-7))
    moment = datetime(2003, 10, 17, 12, 30, 30, tzinfo=mountain)
    azimuth, elevation = sun_angles(39.742476 * DEG, -105.1786 * DEG, 1830.14, moment)
    # 0.02 degrees is what sun.py states: a five-hundredth of the margin that the plan warns at
    assert 90 - elevation / DEG == pytest.approx(50.11162, abs=0.02)
    assert azimuth / DEG == pytest.approx(194.34024, abs=0.02)


@pytest.mark.parametrize(
    ("moment", "declination_deg"),
    [
        # At a solstice the Sun's declination is the obliquity of the ecliptic, 23.4393 degrees (IAU, J2000.0), which falls by 0.013
        # degrees a century; the moments of the solstices of 2026 are from memory, and a minute more or less changes nothing.
        (datetime(2026, 6, 21, 8, 25, tzinfo=UTC), 23.436),
        (datetime(2026, 12, 21, 20, 50, tzinfo=UTC), -23.436),
    ],
)
def test_at_a_solstice_the_highest_sun_of_the_day_is_that_of_the_obliquity(moment, declination_deg):
    latitude_deg = 47.0
    highest = max(
        sun_angles(latitude_deg * DEG, 0.0, 0.0, moment.replace(hour=12, minute=0) + timedelta(minutes=m))[1]
        for m in range(-30, 31)
    )
    # refraction lifts it by 0.5 and 2.7 minutes of arc there (cotangent law, 1 minute at 45 degrees)
    refraction_deg = {True: 0.008, False: 0.045}[declination_deg > 0]
    assert highest / DEG == pytest.approx(90 - latitude_deg + declination_deg + refraction_deg, abs=0.02)
