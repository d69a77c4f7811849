"""The simulator's fuel and the expectation against general reference libraries.

chemicals (Poling's Antoine constants), fluids (free air, Reynolds number) and scipy (integration
of the diffusion equation that Stefan's formula solves).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from chemicals.vapor_pressure import Antoine, Psat_data_AntoinePoling
from fluids.atmosphere import ATMOSPHERE_1976
from fluids.core import Reynolds
from scipy.integrate import solve_bvp

from sim.blend import NAMES, blend, saturation_kpa, vapour_kpa
from soakmon.physics.diffusion import stefan_flux_mol_per_m2_s
from soakmon.physics.fuels import FUELS
from soakmon.physics.vapour import true_vapour_pressure_kpa

CAS = dict(
    zip(
        NAMES,
        ("106-97-8", "78-78-4", "109-66-0", "110-54-3", "540-84-1", "108-88-3", "124-18-5"),
        strict=True,
    )
)


@pytest.mark.parametrize("temp_c", [5.0, 20.0, 35.0])
@pytest.mark.parametrize("name", NAMES)
def test_components_of_the_blend(name, temp_c):
    constants = Psat_data_AntoinePoling.loc[CAS[name]]
    theirs = Antoine(temp_c + 273.15, constants.A, constants.B, constants.C) / 1e3
    ours = saturation_kpa(temp_c)[NAMES.index(name)]
    # Decane has next to no vapour pressure: a fifth of it is a few pascal.
    assert ours == pytest.approx(theirs, rel=0.2 if name == "decane" else 0.03)


@pytest.mark.parametrize("name", [n for n in FUELS if n.startswith("petrol")])
@pytest.mark.parametrize("temp_c", [5.0, 20.0, 30.0])
def test_raoult_blend_and_ap42_correlation_agree(name, temp_c):
    """Two ways that share no equation: components by Raoult's law, and the refined-stock fit."""
    theirs = float(true_vapour_pressure_kpa(FUELS[name], temp_c))
    ours = float(vapour_kpa(blend(name, FUELS[name].rvp_kpa), temp_c).sum())
    assert ours == pytest.approx(theirs, rel=0.12)


@pytest.mark.parametrize("share", [0.05, 0.37, 0.8])
def test_stefan_formula_solves_its_equation(share):
    """scipy.integrate: mole fraction along a tube with the air at rest, flux by its slope."""
    length, diffusivity = 0.04, 9e-6

    def slopes(_, y):
        # y = (mole fraction, flux over c·D): the flux is the same everywhere.
        return np.vstack(((y[0] - 1) * y[1], np.zeros_like(y[1])))

    def ends(low, high):
        return np.array([low[0] - share, high[0]])

    z = np.linspace(0, length, 40)
    guess = np.vstack((share * (1 - z / length), np.full_like(z, share / length)))
    solved = solve_bvp(slopes, ends, z, guess, tol=1e-8)
    density = 101_325 / (8.314462618 * 293.15)
    theirs = float(solved.y[1, 0]) * density * diffusivity
    ours = stefan_flux_mol_per_m2_s(diffusivity, length, 293.15, share * 101_325)
    assert ours == pytest.approx(theirs, rel=1e-4)


def test_gaps_flow_laminar():
    """Half a gram an hour through a weeping joint is far below the turbulent range."""
    gap_m, width_m = 20e-6, 5e-3
    speed = 0.5 / 3600 / 0.74e6 / (gap_m * width_m)
    assert Reynolds(V=speed, D=2 * gap_m, rho=740.0, mu=5e-4) < 1


def test_air_buoyancy_is_small_beside_a_weep():
    """A change of the weather by 30 hPa moves a 500 ml bottle by 15 to 20 mg."""
    sea = ATMOSPHERE_1976(0.0)
    change_g = sea.rho * 500e-3 * 3000 / sea.P
    assert 0.015 < change_g < 0.02
    assert math.isclose(sea.P, 101_325, rel_tol=1e-6)
