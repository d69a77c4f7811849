"""The mass of a drop that falls from a lip.

Tate's law says the drop weighs what surface tension can hold on the rim, m·g = 2π·r·σ; Harkins and
Brown (1919) found that only a share f of it falls. f comes from the fit of Heertjes et al. (1971).
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import Floats, FloatsIn, floats
from soakmon.physics.belief import effort
from soakmon.physics.fuels import Fuel
from soakmon.physics.liquid import density_kg_per_m3, surface_tension_n_per_m

GRAVITY_M_PER_S2 = 9.80665
# The fit is given for 0.3 to 1.2; below, it runs on smoothly towards the whole of the drop, and
# thin capillaries measured by Eschbaum (1895) bear it out.
_RATIO_RANGE = (0.1, 1.2)
# The share that falls depends on the drop's size, and its size on the share.
_ROUNDS = effort(40, "rounds")


def fallen_share(ratio: FloatsIn) -> Floats:
    """Return the Harkins-Brown share f at ratio = r/V^(1/3) (no unit)."""
    x = np.clip(floats(ratio), *_RATIO_RANGE)
    return floats(1 / (2 * np.pi * (0.14782 + 0.27896 * x - 0.1662 * x**2)))


def pendant_drop_g(
    lip_radius_mm: FloatsIn, surface_tension_n_per_m: FloatsIn, density_kg_per_m3: FloatsIn
) -> Floats:
    """Return the mass in grams of a drop that falls slowly from a wetted round lip."""
    radius_m = 1e-3 * floats(lip_radius_mm)
    whole_kg = 2 * np.pi * radius_m * floats(surface_tension_n_per_m) / GRAVITY_M_PER_S2
    mass_kg = 0.65 * whole_kg
    # f hardly changes with the drop's size, so substituting the mass back converges quickly.
    for _ in range(_ROUNDS):
        mass_kg = whole_kg * fallen_share(radius_m / np.cbrt(mass_kg / floats(density_kg_per_m3)))
    return floats(1e3 * mass_kg)


def drop_mass_g(fuel: Fuel, lip_radius_mm: FloatsIn, temp_c: FloatsIn) -> Floats:
    """Return the mass in grams of one fuel drop from a lip of the given outer radius; ±20 %."""
    tension = surface_tension_n_per_m(fuel, temp_c)
    return pendant_drop_g(lip_radius_mm, tension, density_kg_per_m3(fuel, temp_c))
