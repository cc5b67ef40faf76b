"""The heat network against closed forms, scipy's matrix exponential and its integrator."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.linalg
from hypothesis import given
from hypothesis import strategies as st
from virtual_parts import lantern

from soakd.virtual.cooling import HeatPath
from soakd.virtual.heat import HeatNetwork, symmetric_modes

P_W, R_KW, C_JK, ROOM_C = 150.0, 0.4, 300.0, 25.0
TWO = ([1.5, 60.0], [(0, 1, 0.9), (1, None, 0.2)])


def one_node():
    return HeatNetwork([C_JK], [(0, None, R_KW)])


@pytest.mark.parametrize(("at_s", "expected_c"), [(60, 48.6082), (120, 62.9272), (300, 80.0749), (600, 84.5957)])
def test_one_node_answers_a_step_by_its_time_constant(at_s, expected_c):
    """T = T_A + P R (1 - e^(-t/RC)), textbook form; the four values were computed apart from this code."""
    assert ROOM_C + one_node().after([0.0], [P_W], at_s)[0] == pytest.approx(expected_c, abs=5e-5)


@pytest.mark.parametrize("step_s", [0.01, 0.25, 1.0, 7.0, 60.0])
def test_however_the_time_is_cut_the_step_response_is_within_a_thousandth(step_s):
    """What is left until the end, e^(-t/RC), at every step up to five time constants."""
    network, above_k, now_s = one_node(), [0.0], 0.0
    while now_s < 5 * R_KW * C_JK:
        above_k, now_s = network.after(above_k, [P_W], step_s), now_s + step_s
        exact_k = P_W * R_KW * (1.0 - math.exp(-now_s / (R_KW * C_JK)))
        assert above_k[0] == pytest.approx(exact_k, rel=1e-3)
        assert above_k[0] == pytest.approx(exact_k, rel=1e-9), "and far better than that"


def test_settled_it_is_power_times_resistance():
    assert one_node().settled([P_W])[0] == pytest.approx(P_W * R_KW, rel=1e-14)
    assert one_node().after([0.0], [P_W], 1e6)[0] == pytest.approx(P_W * R_KW, rel=1e-14)
    assert one_node().slowest_s == pytest.approx(R_KW * C_JK)


def test_in_a_chain_every_part_is_as_warm_as_the_resistances_below_it_make_it():
    network = HeatNetwork([2.0, 60.0, 5000.0], [(0, 1, 0.5), (1, 2, 0.06), (2, None, 0.08)])
    assert network.settled([100.0, 20.0, 0.0]) == pytest.approx([50.0 + 7.2 + 9.6, 7.2 + 9.6, 9.6], rel=1e-12)


@pytest.mark.parametrize("at_s", [0.1, 1.0, 5.0, 12.0, 60.0])
def test_two_nodes_go_the_way_of_an_integrator(at_s):
    """scipy.integrate.solve_ivp with DOP853 on the two equations as they are written in a textbook."""

    def slope(_, above_k):
        between_w, out_w = (above_k[0] - above_k[1]) / 0.9, above_k[1] / 0.2
        return [(40.0 - between_w) / 1.5, (5.0 + between_w - out_w) / 60.0]

    exact = scipy.integrate.solve_ivp(slope, (0.0, at_s), [30.0, 2.0], method="DOP853", rtol=1e-11, atol=1e-11)
    assert HeatNetwork(*TWO).after([30.0, 2.0], [40.0, 5.0], at_s) == pytest.approx(exact.y[:, -1], rel=1e-8)


@pytest.mark.parametrize("cores", [1, 6, 16])
def test_a_whole_heat_path_goes_the_way_of_the_matrix_exponential(cores):
    """scipy.linalg.expm of the state matrix, with the powers as inputs that stand still."""
    heat, count = lantern().heat, cores + 3
    capacities = [heat.core.capacity_jk] * cores + [p.capacity_jk for p in (heat.package, heat.cooler, heat.coolant)]
    conductance = np.zeros((count, count))
    ways = [(core, cores, heat.core) for core in range(cores)]
    ways += [(cores, cores + 1, heat.package), (cores + 1, cores + 2, heat.cooler)]
    for one, other, part in ways:
        conductance[np.ix_([one, other], [one, other])] += np.array([[1, -1], [-1, 1]]) / part.resistance_kw
    conductance[-1, -1] += 1.0 / heat.coolant.resistance_kw
    powers = np.array([10.0 + core for core in range(cores)] + [16.0, 0.0, 0.0])
    system = np.zeros((count + 1, count + 1))
    system[:count, :count] = -conductance / np.array(capacities)[:, None]
    system[:count, -1] = powers / capacities
    path, exact = HeatPath(lantern(), cores), np.array([0.0] * count + [1.0])
    for step_s in (0.3, 1.0, 45.0, 700.0):
        path.pass_time(powers[:cores], powers[cores], step_s, pump=1.0, fans=1.0)
        exact = scipy.linalg.expm(system * step_s) @ exact
        assert [*path.cores_k, path.cooler_k, path.coolant_k] == pytest.approx(
            [*exact[:cores], *exact[-3:-1]], rel=1e-9
        )


@given(st.floats(0.01, 500.0), st.floats(0.0, 1.0), st.lists(st.floats(-50.0, 150.0), min_size=2, max_size=2))
def test_two_steps_are_one(duration_s, share, above_k):
    network, powers = HeatNetwork(*TWO), [30.0, 4.0]
    halfway = network.after(above_k, powers, duration_s * share)
    there = network.after(halfway, powers, duration_s * (1.0 - share))
    assert there == pytest.approx(network.after(above_k, powers, duration_s), abs=1e-9)


@given(st.lists(st.floats(-3.0, 3.0), min_size=36, max_size=36))
def test_modes_are_those_of_numpy(numbers):
    """numpy.linalg.eigh; V diag(λ) Vᵀ is the matrix again, and V is orthonormal."""
    root = np.array(numbers).reshape(6, 6)
    matrix = root @ root.T + np.eye(6)
    values, vectors = symmetric_modes(matrix.tolist())
    assert sorted(values) == pytest.approx(np.linalg.eigh(matrix)[0], rel=1e-10)
    turned = np.array(vectors)
    assert turned @ turned.T == pytest.approx(np.eye(6), abs=1e-12)
    assert turned.T @ np.diag(values) @ turned == pytest.approx(matrix, abs=1e-10)


def test_what_is_slower_carries_less_and_a_standing_pump_or_fan_still_something():
    def coolant_and_core_k(pump, fans):
        path = HeatPath(lantern(), 6)
        path.pass_time([15.0] * 6, 15.0, 1e6, pump=pump, fans=fans)
        return path.coolant_k, path.cores_k[0]

    about = lantern()
    whole, slow, still = (coolant_and_core_k(1.0, fans) for fans in (1.0, 0.5, 0.0))
    assert whole[0] == pytest.approx(105.0 * about.heat.coolant.resistance_kw)
    assert still[0] == pytest.approx(whole[0] / (about.cooling.still_percent / 100.0))
    assert slow[0] == pytest.approx(whole[0] / (0.06 + 0.94 * 0.5**0.8)), "the 0.8th power of the flow"
    stopped = coolant_and_core_k(0.0, 1.0)
    assert stopped[0] == pytest.approx(whole[0]), "in the end all heat arrives"
    assert stopped[1] > whole[1] + 50.0


def test_without_a_pump_none_can_fail():
    pumped = HeatPath(lantern(), 2)
    without = HeatPath(
        lantern().model_copy(update={"cooling": lantern().cooling.model_copy(update={"pump_rpm": None})}), 2
    )
    for path in (pumped, without):
        path.pass_time([20.0, 20.0], 10.0, 300.0, pump=0.0, fans=1.0)
    assert without.cores_k[0] < pumped.cores_k[0] - 10.0
