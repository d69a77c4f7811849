"""The mass of a drop that falls from a lip.

Tate's law says the drop weighs what surface tension can hold on the rim, m·g = 2π·r·σ; Harkins and
Brown (1919) found that only a share f of it falls. f comes from the fit of Heertjes et al. (1971).
That holds for ground tips and drops left to themselves; from lips as they are, drops fall heavier.
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import Floats, FloatsIn, floats
from soakmon.physics.belief import effort, judgement, published
from soakmon.physics.fuels import Fuel
from soakmon.physics.liquid import density_kg_per_m3, surface_tension_n_per_m

GRAVITY_M_PER_S2 = 9.80665
# The fit is given for 0.3 to 1.2; below, it runs on smoothly towards the whole of the drop, and
# thin capillaries measured by Eschbaum (1895) bear it out.
_RATIO_RANGE = (0.1, 1.2)
# The share that falls depends on the drop's size, and its size on the share.
_ROUNDS = effort(40, "rounds")
# All thirteen drops that were weighed from tips of 2.4 mm on are heavier than that: water by 3 to
# 10 %, chloroform, turpentine, alcohol and ether by 13 to 24 % (Eschbaum 1895; a Dutch dispensing
# manual; a dental materia medica). No weighed petrol drops were found: in between is judgement.
HEAVIER_THAN_THEORY = judgement(1.10, "times")
# From one lip to another of the same description: 0.2 over 32 designs of dropper (Moore, BMC
# Ophthalmol. 17:78, 2017), tilt and wetted rims among them.
BETWEEN_LIPS_LOG_SD = published(0.2, "log. sd")
# From drop to drop of one lip: one eye-drop bottle gave ± 5.1 µL in 33.8 to 63.4 (19 makes); no
# scatter of petrol drops was ever published.
DROP_TO_DROP_LOG_SD = published(0.05, "log. sd")
# Petrol from a lip of 3 mm, where no lip is known: of the above.
USUAL_DROP_G = judgement(0.0146, "g")
# What dries where a drop hangs in the open: 0.11 g/h while fresh, 0.045 well weathered, by
# diffusion and its own cooling in still air (computed for 3.25 mm at 20 °C, never measured).
DRIES_G_PER_H = judgement(0.08, "g/h")


def fallen_share(ratio: FloatsIn) -> Floats:
    """Return the Harkins-Brown share f at ratio = r/V^(1/3) (no unit)."""
    x = np.clip(floats(ratio), *_RATIO_RANGE)
    return floats(1 / (2 * np.pi * (0.14782 + 0.27896 * x - 0.1662 * x**2)))


def pendant_drop_g(
    lip_radius_mm: FloatsIn, surface_tension_n_per_m: FloatsIn, density_kg_per_m3: FloatsIn
) -> Floats:
    """Return the mass in grams of a drop that falls slowly from a ground round tip (theory)."""
    radius_m = 1e-3 * floats(lip_radius_mm)
    whole_kg = 2 * np.pi * radius_m * floats(surface_tension_n_per_m) / GRAVITY_M_PER_S2
    mass_kg = 0.65 * whole_kg
    # f hardly changes with the drop's size, so substituting the mass back converges quickly.
    for _ in range(_ROUNDS):
        mass_kg = whole_kg * fallen_share(radius_m / np.cbrt(mass_kg / floats(density_kg_per_m3)))
    return floats(1e3 * mass_kg)


def falling_drop_g(
    lip_radius_mm: FloatsIn, surface_tension_n_per_m: FloatsIn, density_kg_per_m3: FloatsIn
) -> Floats:
    """Return the mass in grams of a drop as it falls from a real lip; ±20 % from lip to lip."""
    theory_g = pendant_drop_g(lip_radius_mm, surface_tension_n_per_m, density_kg_per_m3)
    return floats(HEAVIER_THAN_THEORY * theory_g)


def drop_mass_g(fuel: Fuel, lip_radius_mm: FloatsIn, temp_c: FloatsIn) -> Floats:
    """Return the mass in grams of one fuel drop from a lip of the given outer radius; ±20 %."""
    tension = surface_tension_n_per_m(fuel, temp_c)
    return falling_drop_g(lip_radius_mm, tension, density_kg_per_m3(fuel, temp_c))
