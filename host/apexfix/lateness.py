"""How late a press may be stamped because the unit was erasing flash just then (docs/protocol.md, section 4, type 2)."""

from collections.abc import Sequence
from math import sqrt
from typing import Final

import numpy as np

from apexfix.records import BUTTON, MARK, Press, Window
from apexfix.units import US

_LONGEST_ERASE_US: Final = 400_000  # of 4 KiB at most: W25Q16JV data sheet (rev F, as an open project quotes it)
_GAP: Final = 1.5  # times the usual step between samples: at least one is missing or late
_BUNCH: Final = 0.5  # times the usual step: samples that had to wait, too, and were read one right after another


def sigma_late_s(press: Press, windows: Sequence[Window]) -> float:
    """Return the standard deviation of a press about its stamp in seconds, as far as the unit's own writing makes it; mostly 0.

    A finger that comes during an erase is stamped at the end, as are the samples that fell due. So a stamp that a gap in the
    samples leads up to is late by anything up to that gap, evenly: gap / sqrt(3) about the stamp. The stamp stays what it is,
    since the direction of the press is that of the samples at the stamp. A press by command is never late, and
    the time of a reference press matters to nobody.
    """
    if press.source != BUTTON or press.kind != MARK or not windows:
        return 0.0
    t_us = np.unique(np.concatenate([window.t_us for window in windows]))
    before_us = t_us[t_us <= 0]
    if len(before_us) < 2:
        return 0.0
    steps_us = np.diff(before_us, append=0)
    usual_us = int(np.sort(steps_us[:-1])[len(steps_us) // 2 - 1])
    spaced = np.flatnonzero(steps_us >= _BUNCH * usual_us)
    if not len(spaced) or steps_us[spaced[-1]] <= _GAP * usual_us:
        return 0.0
    return min(-int(before_us[spaced[-1]]), _LONGEST_ERASE_US) * US / sqrt(3)
