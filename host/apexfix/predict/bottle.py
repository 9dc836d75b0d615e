"""What leaves a water rocket's nozzle: first water, then air. Every function takes one figure or arrays of them.

Notes
-----
Quasi-steady flow of water by Bernoulli's law with the bottle's water at rest, and of a perfect gas through a nozzle without losses
(any text of gas dynamics, for example Liepmann & Roshko, *Elements of Gasdynamics*, 1957). Neglected: the weight of the water
above the nozzle, losses in the nozzle, and heat from the walls while the air leaves. Barrio-Perotti et al., *Eur. J. Phys.* 31,
2010, found predictions of this kind within about 6 % of measured flights.
"""

from typing import Final

import numpy as np

from apexfix.air import DRY_AIR_J_KG_K
from apexfix.model import Vector

WATER_KG_M3: Final = 998.0  # at 20 degrees C
GAMMA: Final = 1.4  # ratio of the specific heats of air
CHOKING: Final = ((GAMMA + 1) / 2) ** (GAMMA / (GAMMA - 1))  # 1.8929: the ratio of pressures above which the throat is sonic
# The gauge pressure, as a share of the pressure around, at which a blow-down counts as over: 1e-4 of the impulse is left.
SPENT: Final = 1e-3

Figure = Vector | float


# Of the polytropic expansion of air: from all heat that the walls can give (isothermal) to none (the ratio of its specific heats).
EXPONENTS: Final = (1.0, 1.4)


def expanded_pressure(pressure_pa: Figure, volume_m3: Figure, larger_m3: Figure, exponent: Figure) -> Vector:
    """Return the absolute pressure after an expansion, p V^n = constant."""
    return np.asarray(pressure_pa * (np.asarray(volume_m3) / larger_m3) ** exponent)


def expansion_work(pressure_pa: Figure, volume_m3: Figure, larger_m3: Figure, exponent: Figure) -> Vector:
    """Return the work in J of an expansion from an absolute pressure; the limit at n = 1 is the isothermal logarithm."""
    grown = np.log(np.asarray(larger_m3) / volume_m3)
    turn = (1 - np.asarray(exponent)) * grown
    safe = np.where(np.abs(turn) < 1e-9, 1.0, turn)
    return np.asarray(pressure_pa * volume_m3 * grown * np.where(np.abs(turn) < 1e-9, 1 + turn / 2, np.expm1(safe) / safe))


def largest_fill(pressure_pa: Figure, outside_pa: Figure, exponent: Figure, tube_share: float = 0.0) -> Vector:
    """Return the largest share of the bottle that may be water if all of it is to leave; pressures are absolute.

    A launch tube, of a volume given as a share of the bottle's, expands the air once before: from a to a + tube and then, with what
    stays in the bottle, from a to the whole, so that a² / (a + tube) is the ratio of the pressures to the power of 1/n.
    """
    ratio = (np.asarray(outside_pa) / pressure_pa) ** (1 / np.asarray(exponent))
    return np.asarray(1 - (ratio + np.sqrt(ratio**2 + 4 * ratio * tube_share)) / 2)


def water_speed(pressure_pa: Figure, outside_pa: Figure) -> Vector:
    """Return the speed of the jet of water in m/s; the thrust is density · nozzle · speed² = 2 · nozzle · gauge pressure."""
    return np.asarray(np.sqrt(2 * np.maximum(np.asarray(pressure_pa) - outside_pa, 0.0) / WATER_KG_M3))


def air_flow(pressure_pa: Figure, temperature_k: Figure, outside_pa: Figure, nozzle_m2: float) -> tuple[Vector, Vector]:
    """Return the thrust in N and the mass flow in kg/s of air that leaves, choked or not."""
    ratio = np.maximum(np.asarray(pressure_pa) / outside_pa, 1.0)
    mach2 = np.minimum(2 / (GAMMA - 1) * np.expm1((GAMMA - 1) / GAMMA * np.log(ratio)), 1.0)
    cooled = 1 + (GAMMA - 1) / 2 * mach2
    throat_pa = ratio * outside_pa * cooled ** (-GAMMA / (GAMMA - 1))
    flow_kg_s = nozzle_m2 * throat_pa * np.sqrt(mach2 * GAMMA * cooled / (DRY_AIR_J_KG_K * np.asarray(temperature_k)))
    return np.asarray(nozzle_m2 * (throat_pa * (1 + GAMMA * mach2) - outside_pa)), np.asarray(flow_kg_s)


def isothermal_emptying(pressure_pa: float, volumes_m3: tuple[float, float], outside_pa: float, nozzle_m2: float) -> float:
    """Return the time in s in which air pushes all water out at n = 1: volumes of the air at the start and of the whole bottle.

    Notes
    -----
    Integral of sqrt(V / (c - V)) with c the volume at which the air would be at the outside pressure.
    """
    c = pressure_pa * volumes_m3[0] / outside_pa

    def primitive(volume_m3: float) -> float:
        return float(-np.sqrt(volume_m3 * (c - volume_m3)) + c * np.arcsin(np.sqrt(volume_m3 / c)))

    scale = np.sqrt(WATER_KG_M3 / (2 * outside_pa)) / nozzle_m2
    return float(scale * (primitive(volumes_m3[1]) - primitive(volumes_m3[0])))
