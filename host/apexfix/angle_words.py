"""An angle as a person writes it: 45.5, 45,5, 45 30, 45 30 15, 45 deg 30 min, 45°30'."""

import re
from typing import Final

from apexfix.fields import Unfit, shown

_LONGEST: Final = 60  # characters
_NUMBER: Final = r"\d{1,3}(?:[.,]\d{1,12})?"
_DEGREES: Final = r"(?:°|º|d(?:eg(?:rees?)?)?\.?)"
_MINUTES: Final = r"(?:['′’]|m(?:in(?:utes?)?)?\.?)"
_SECONDS: Final = r"(?:[\"″”]|''|s(?:ec(?:onds?)?)?\.?)"
# Between two numbers stands a mark or a space, so that 4530 is never taken for 45 and 30.
_ANGLE: Final = re.compile(
    rf"(?P<sign>[+\-−]?)\s*(?P<degrees>{_NUMBER})"
    rf"(?:(?:\s*{_DEGREES}\s*|\s+)(?P<minutes>{_NUMBER})(?:(?:\s*{_MINUTES}\s*|\s+)(?P<seconds>{_NUMBER})(?:\s*{_SECONDS})?|\s*{_MINUTES})?"
    rf"|\s*{_DEGREES})?",
    re.ASCII | re.IGNORECASE,
)


def angle_deg(words: str) -> float:
    """Return the degrees that a person wrote, with a decimal point or comma, or with minutes and seconds.

    Raises
    ------
    Unfit
        This is no angle, minutes or seconds are 60 or more, or a number has a fraction and another one follows it.

    Examples
    --------
    >>> angle_deg("45.5"), angle_deg("45,5"), angle_deg("45 30"), angle_deg("45 deg 30 min"), angle_deg("-1°30'36\\"")
    (45.5, 45.5, 45.5, 45.5, -1.51)
    """
    found = _ANGLE.fullmatch(words.strip()) if len(words) <= _LONGEST else None
    if found is None:
        raise Unfit(f"{shown(words).removesuffix(' (text)')} seen, an angle like 45.5 or 45 30 (degrees and minutes) expected")
    parts = [part.replace(",", ".") for part in found.group("degrees", "minutes", "seconds") if part is not None]
    if any("." in part for part in parts[:-1]):
        raise Unfit(f"{shown(words).removesuffix(' (text)')} seen, a fraction in the last number only expected")
    if any(float(part) >= 60 for part in parts[1:]):
        raise Unfit(f"{shown(words).removesuffix(' (text)')} seen, minutes and seconds below 60 expected")
    size: float = sum(float(part) / float(60**place) for place, part in enumerate(parts))
    return -size if found["sign"] in ("-", "−") else size
