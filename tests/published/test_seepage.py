"""How a weep and a drop go with temperature, against handbook data that `chemicals` carries.

Surface tension: Jasper (1972) in Lange's handbook; viscosity: VDI heat atlas, PPDS equation 9. The
flow through a slit is plane Poiseuille flow (any textbook of fluid mechanics).
"""

from __future__ import annotations

import math

import pytest
from chemicals import interface, viscosity
from fluids.core import Reynolds

from sim import gates
from sim.blend import thinning
from soakmon.physics.drops import drop_mass_g
from soakmon.physics.fuels import FUELS
from soakmon.physics.liquid import density_kg_per_m3

# The library reads its tables, when first asked for one, in a way that pandas will drop.
pytestmark = pytest.mark.filterwarnings("ignore:The 'float_precision' argument")

HEPTANE, OCTANE, ISOOCTANE, TOLUENE = "142-82-5", "111-65-9", "540-84-1", "108-88-3"
PETROL = FUELS["petrol_a"]


def published_mpa_s(cas: str, temp_c: float) -> float:
    data = viscosity.mu_data_VDI_PPDS_7.loc[cas]
    return 1e3 * float(viscosity.PPDS9(temp_c + 273.15, data.A, data.B, data.C, data.D, data.E))


def test_the_published_data_are_read_rightly():
    """n-octane at 25 °C: 0.508 mPa·s (CRC handbook, from memory)."""
    assert published_mpa_s(OCTANE, 25.0) == pytest.approx(0.508, rel=0.02)


@pytest.mark.parametrize("cas", [HEPTANE, OCTANE, TOLUENE])
def test_gaps_pass_more_of_warm_fuel(cas):
    """Relative change per °C around 20 °C, of the simulator."""
    published = math.log(published_mpa_s(cas, 15.0) / published_mpa_s(cas, 25.0)) / 10
    assert math.log(thinning(25.0) / thinning(15.0)) / 10 == pytest.approx(published, rel=0.2)


@pytest.mark.parametrize("cas", [HEPTANE, OCTANE, ISOOCTANE, TOLUENE])
def test_warm_drops_are_lighter(cas):
    data = interface.sigma_data_Jasper_Lange.loc[cas]
    published = data.b / (data.a - 20 * data.b)
    assert pytest.approx(published, rel=0.12) == gates._LIGHTER_PER_C
    ours = math.log(float(drop_mass_g(PETROL, 1.5, 15.0) / drop_mass_g(PETROL, 1.5, 25.0))) / 10
    assert ours == pytest.approx(published, rel=0.25)


@pytest.mark.parametrize("g_per_day", [1.0, 100.0, 500.0])
def test_a_crack_that_weeps_is_a_slit_with_laminar_flow(g_per_day):
    """A slit 4 mm high in a wall of 0.5 mm, fuel up to its top: why no weir is simulated."""
    height, wall, gravity = 4e-3, 0.5e-3, 9.81
    density = float(density_kg_per_m3(PETROL, 20.0))
    # In the middle of 0.31 (Munson, Table 1.6) and 0.86 mPa·s (bought petrol, Zhu 2012).
    thickness = 0.5e-3
    flow = g_per_day * 1e-3 / 86400 / density
    # Plane Poiseuille: w³·Δp / (12·µ·wall) per height, the pressure falling from ρgh to nothing.
    width = (24 * thickness * wall * flow / (density * gravity * height**2)) ** (1 / 3)
    speed = flow / (width * height)
    assert width < 80e-6
    assert Reynolds(V=speed, D=2 * width, rho=density, mu=thickness) < 10
    # A weir or a hole would run as fast as fuel falls from that height; a weep creeps.
    assert speed < 0.2 * math.sqrt(gravity * height)
