"""Physics of one rig: pump, hose, valve and circuit, as a stiff system of ordinary equations.

Two volumes, pump side and circuit, are joined by a hose with a valve. Each holds two gases: dry gas
(air, nitrogen, gas from oil) and water vapour. In each volume, for each gas,

    V dp/dt = Σ flows in [Pa m³/s]

with these flows:

- pump: S (p - p_u) of the sum of both gases, so that S(P) = S (1 - p_u/P); the share p_u is dry;
- hose: C(P̄) times the difference, C the sum of viscous and molecular conductance (`physics.flow`);
- leak: constant, because a leak from the atmosphere into a vacuum is choked;
- stores: gas bound in oil and on walls. Each store is a capacity K [m³] at its own equilibrium pressure
  r that gives off K (r - p)/τ; a spectrum of them makes the long tail that no single exponential fits.
  Rates and equilibrium pressures follow temperature by Arrhenius factors;
- free water: evaporates as k (p_sat(T_w) - p) and takes its heat from a wet spot, which the wall warms
  by U (T_wall - T_w). The spot's enthalpy decides whether it is liquid, freezing, or ice.

The step is a linearly implicit Euler step: conductances are frozen, everything linear is solved
implicitly, stores and wet spot are eliminated, so that a 2×2 system is left for each gas. One whole
and two half steps give an error estimate and, extrapolated, second order: Deuflhard and Bornemann,
Scientific Computing with Ordinary Differential Equations, Springer 2002, section 6.4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from physics.constants import (
    ATMOSPHERE_PA,
    GAS_CONSTANT,
    WATER_MOLAR_MASS,
    WATER_TRIPLE_POINT_K,
)
from physics.flow import molecular_conductance, viscous_conductance
from physics.water import HEAT_OF_FUSION, HEAT_OF_SUBLIMATION
from simulator.saturation import pressure_and_slope

_ICE_CP, _LIQUID_CP = 2100.0, 4200.0  # J/(kg K) near 0 °C
_REFERENCE_K = 293.15
_STORE_ENERGY = 60e3  # J/mol: rates about 8 %/K
_STORE_HEAT = 44e3  # J/mol: equilibrium pressures as steep as those of water itself
_TOLERANCE = 5e-4
_ABSOLUTE_PA = 0.02
_SHORTEST_S = 1e-4
_NOTHING_S = 1e-9  # what rounding leaves of an interval


@dataclass(frozen=True, slots=True)
class Store:
    """Gas bound in oil or on walls.

    Parameters
    ----------
    capacity_m3 : float
        Gas given off per pascal that its equilibrium pressure falls [m³].
    pressure_pa : float
        Equilibrium pressure at the beginning, at 20 degrees Celsius [Pa].
    tau_s : float
        Time constant at 20 degrees Celsius [s].
    """

    capacity_m3: float
    pressure_pa: float
    tau_s: float


@dataclass(frozen=True, slots=True)
class RigData:
    """What a rig is made of; SI units.

    Parameters
    ----------
    volume_m3, pump_side_m3 : float
        Volumes of the circuit and of hoses and pump inlet [m³].
    pump_m3_s, ultimate_pa : float
        Pumping speed [m³/s] and ultimate pressure [Pa] of the pump.
    hose_bore_m, hose_length_m : float
        The hose between pump side and circuit [m].
    leak_pa_m3_s : float
        Leak from the atmosphere into the circuit [Pa m³/s].
    free_water_kg : float
        Free water at the beginning [kg].
    evaporation_m3_s : float
        Conductance between water surface and circuit [m³/s].
    wet_spot_w_k, wet_spot_j_k : float
        Heat transfer from wall to wet spot [W/K], and the metal's share of its heat capacity [J/K].
    bound_water, oil_gas : tuple of Store
        Spectra of bound water and of dry gas.
    seat_m3_s : float
        Conductance of the closed valve's seat [m³/s].
    suck_back_m3_s : float
        Conductance from the atmosphere through a stopped pump [m³/s].
    """

    volume_m3: float
    pump_side_m3: float = 0.5e-3
    pump_m3_s: float = 2.0e-3
    ultimate_pa: float = 2.0
    hose_bore_m: float = 9.5e-3
    hose_length_m: float = 1.5
    leak_pa_m3_s: float = 0.0
    free_water_kg: float = 0.0
    evaporation_m3_s: float = 0.02
    wet_spot_w_k: float = 1.0
    wet_spot_j_k: float = 20.0
    bound_water: tuple[Store, ...] = ()
    oil_gas: tuple[Store, ...] = ()
    seat_m3_s: float = 0.0
    suck_back_m3_s: float = 2e-6


@dataclass(slots=True)
class Setting:
    """What people and weather do to a rig at a moment.

    Parameters
    ----------
    pumping : bool
        Pump running.
    opening : float
        Valve, from 0 (closed) to 1 (open).
    temperature_k : float
        Temperature of circuit and gas [K].
    fill_pa_m3_s : float
        Dry gas let into the circuit [Pa m³/s]: nitrogen, refrigerant, or air through an open joint.
    """

    pumping: bool = False
    opening: float = 0.0
    temperature_k: float = _REFERENCE_K
    fill_pa_m3_s: float = 0.0


# Places in the list of states, before the stores.
_DRY_PUMP, _DRY, _WET_PUMP, _WET, _HEAT, _WATER, _STORES = range(7)


class Rig:
    """The state of one rig and its integrator.

    Parameters
    ----------
    data : RigData
        What it is made of.
    temperature_k : float
        Temperature at the beginning [K].
    pressure_pa : float
        Dry gas in both volumes at the beginning [Pa].
    """

    def __init__(
        self, data: RigData, temperature_k: float = _REFERENCE_K, pressure_pa: float = ATMOSPHERE_PA
    ) -> None:
        self.data = data
        self.setting = Setting(temperature_k=temperature_k)
        self._viscous = viscous_conductance(data.hose_bore_m, data.hose_length_m, 1.0)
        self._molecular = molecular_conductance(data.hose_bore_m, data.hose_length_m)
        self._kg_per_pa_m3 = WATER_MOLAR_MASS / (GAS_CONSTANT * _REFERENCE_K)
        self._bound = range(_STORES, _STORES + len(data.bound_water))
        self._oil = range(self._bound.stop, self._bound.stop + len(data.oil_gas))
        stores = (*data.bound_water, *data.oil_gas)
        self._capacity = [0.0] * _STORES + [store.capacity_m3 for store in stores]
        self._tau = [0.0] * _STORES + [store.tau_s for store in stores]
        scale = _heat_factor(temperature_k)
        heat = data.free_water_kg * HEAT_OF_FUSION + (temperature_k - WATER_TRIPLE_POINT_K) * (
            data.free_water_kg * (_LIQUID_CP if temperature_k > WATER_TRIPLE_POINT_K else _ICE_CP)
            + data.wet_spot_j_k
        )
        if temperature_k <= WATER_TRIPLE_POINT_K:
            heat -= data.free_water_kg * HEAT_OF_FUSION
        self._x = [pressure_pa, pressure_pa, 0.0, 0.0, heat, data.free_water_kg]
        self._x += [store.pressure_pa * scale for store in stores]
        self._gas_k = temperature_k
        self._step_s = 0.01

    @property
    def circuit_pa(self) -> float:
        """Absolute pressure in the circuit [Pa]."""
        return self._x[_DRY] + self._x[_WET]

    @property
    def pump_side_pa(self) -> float:
        """Absolute pressure on the pump's side [Pa]."""
        return self._x[_DRY_PUMP] + self._x[_WET_PUMP]

    @property
    def vapour_pa(self) -> float:
        """Partial pressure of water vapour in the circuit [Pa]."""
        return self._x[_WET]

    @property
    def water_kg(self) -> float:
        """Free water left, liquid and ice [kg]."""
        return self._x[_WATER]

    @property
    def wet_spot_k(self) -> float:
        """Temperature of the wet spot [K]."""
        return self._spot(self._x[_HEAT], self._x[_WATER])[0]

    def advance(self, seconds: float) -> None:
        """Integrate over a time in which the setting does not change."""
        self._take_temperature(self.setting.temperature_k)
        left = seconds
        while left > _NOTHING_S:
            step = min(self._step_s, left)
            whole = self._euler(self._x, step)
            half = self._euler(self._euler(self._x, 0.5 * step), 0.5 * step)
            error = self._error(whole, half)
            if error > 1.0 and step > _SHORTEST_S:
                self._step_s = step * max(0.2, 0.9 / math.sqrt(error))
                continue
            left -= step
            # Extrapolation may leave the physical region by a hair; the half steps never do.
            self._x = [
                2.0 * b - a if place == _HEAT or 2.0 * b > a else b
                for place, (a, b) in enumerate(zip(whole, half, strict=True))
            ]
            grown = step * min(4.0, 0.9 / math.sqrt(max(error, 1e-4)))
            # A step cut short by the end of the interval says nothing against longer ones.
            self._step_s = grown if step < seconds else max(grown, self._step_s)

    def disturb(self) -> None:
        """Begin again with small steps: the setting has changed."""
        self._step_s = 0.01

    def _take_temperature(self, kelvin: float) -> None:
        """Let gas and stores follow a change of temperature."""
        if kelvin == self._gas_k:
            return
        gas = kelvin / self._gas_k
        stores = _heat_factor(kelvin) / _heat_factor(self._gas_k)
        x = self._x
        for place in (_DRY, _WET):  # the pump side is warmed by the pump, whatever the weather
            x[place] *= gas
        for place in range(_STORES, len(x)):
            x[place] *= stores
        self._gas_k = kelvin

    def _spot(self, heat: float, water: float) -> tuple[float, float]:
        """Temperature of the wet spot [K] and its slope with enthalpy [K/J]; 0 J is ice at 0.01 °C."""
        metal = self.data.wet_spot_j_k
        melted = water * HEAT_OF_FUSION
        if heat < 0.0:
            slope = 1.0 / (water * _ICE_CP + metal)
            return WATER_TRIPLE_POINT_K + heat * slope, slope
        if heat > melted:
            slope = 1.0 / (water * _LIQUID_CP + metal)
            return WATER_TRIPLE_POINT_K + (heat - melted) * slope, slope
        return WATER_TRIPLE_POINT_K, 0.0

    def _euler(self, x: list[float], h: float) -> list[float]:
        """One linearly implicit step of h seconds."""
        data, setting = self.data, self.setting
        mean = 0.5 * (x[_DRY_PUMP] + x[_WET_PUMP] + x[_DRY] + x[_WET])
        hose = setting.opening * (self._viscous * mean + self._molecular) + data.seat_m3_s
        speed = data.pump_m3_s if setting.pumping else 0.0
        back = 0.0 if setting.pumping else data.suck_back_m3_s
        new = x.copy()

        oil_g, oil_q = self._stores(x, self._oil, h)
        self._pair(
            x,
            new,
            h,
            _DRY_PUMP,
            hose,
            speed + back,
            speed * data.ultimate_pa + back * ATMOSPHERE_PA,
            oil_g,
            oil_q + data.leak_pa_m3_s + setting.fill_pa_m3_s,
        )
        self._settle(x, new, h, self._oil, new[_DRY])

        bound_g, bound_q = self._stores(x, self._bound, h)
        spot_g, spot_pa, kelvin, damping = self._evaporation(x, h)
        self._pair(
            x, new, h, _WET_PUMP, hose, speed + back, 0.0, bound_g + spot_g, bound_q + spot_g * spot_pa
        )
        vapour = spot_g * (spot_pa - new[_WET])
        last = x[_WATER] / (h * self._kg_per_pa_m3)
        if vapour > last:  # no more than there is
            vapour = last
            self._pair(x, new, h, _WET_PUMP, hose, speed + back, 0.0, bound_g, bound_q + last)
        self._settle(x, new, h, self._bound, new[_WET])
        mass = vapour * self._kg_per_pa_m3
        new[_WATER] = max(x[_WATER] - h * mass, 0.0)
        warmth = data.wet_spot_w_k * (setting.temperature_k - kelvin)
        new[_HEAT] = x[_HEAT] + h * damping * (warmth - HEAT_OF_SUBLIMATION * mass)
        return new

    def _evaporation(self, x: list[float], h: float) -> tuple[float, float, float, float]:
        """Free water as a conductance [m³/s] towards a pressure [Pa], its own cooling eliminated.

        Also the temperature of the wet spot [K] and 1/(1 + h U dT/dH), by which the wall's warmth damps
        a change of its enthalpy within the step.
        """
        data = self.data
        kelvin, slope = self._spot(x[_HEAT], x[_WATER])
        damping = 1.0 / (1.0 + h * data.wet_spot_w_k * slope)
        pressure, steep = pressure_and_slope(kelvin)
        if x[_WATER] <= 0.0 and x[_WET] <= pressure:
            return 0.0, 0.0, kelvin, damping
        surface = data.evaporation_m3_s
        if data.free_water_kg > 0.0 and x[_WET] <= pressure:  # the last film shrinks
            surface *= min(1.0, (20.0 * x[_WATER] / data.free_water_kg) ** (2.0 / 3.0))
        kelvin_per_watt = h * slope * damping
        ahead = kelvin_per_watt * data.wet_spot_w_k * (self.setting.temperature_k - kelvin)
        stiff = steep * kelvin_per_watt * HEAT_OF_SUBLIMATION * self._kg_per_pa_m3
        return surface / (1.0 + surface * stiff), pressure + steep * ahead, kelvin, damping

    def _stores(self, x: list[float], places: range, h: float) -> tuple[float, float]:
        """Stores as a conductance [m³/s] and a flow [Pa m³/s] at zero pressure."""
        rate = _rate_factor(self._gas_k)
        swell = _heat_factor(self._gas_k)
        conductance = flow = 0.0
        for place in places:
            g = self._capacity[place] / swell / (self._tau[place] / rate + h)
            conductance += g
            flow += g * x[place]
        return conductance, flow

    def _settle(self, x: list[float], new: list[float], h: float, places: range, pressure: float) -> None:
        """Put into the stores what the eliminated equations say."""
        rate = _rate_factor(self._gas_k)
        for place in places:
            share = h * rate / self._tau[place]
            new[place] = (x[place] + share * pressure) / (1.0 + share)

    def _pair(
        self,
        x: list[float],
        new: list[float],
        h: float,
        first: int,
        hose: float,
        pump_g: float,
        pump_q: float,
        circuit_g: float,
        circuit_q: float,
    ) -> None:
        """Solve the 2×2 system of one gas: pump side at ``first``, circuit after it."""
        a = self.data.pump_side_m3 / h
        b = self.data.volume_m3 / h
        top = a + hose + pump_g
        bottom = b + hose + circuit_g
        right_a = a * x[first] + pump_q
        right_b = b * x[first + 1] + circuit_q
        # Determinant without the cancellation of top·bottom - hose² when the hose is wide.
        determinant = (a + pump_g) * bottom + hose * (b + circuit_g)
        new[first] = (right_a * bottom + hose * right_b) / determinant
        new[first + 1] = (top * right_b + hose * right_a) / determinant

    def _error(self, whole: list[float], half: list[float]) -> float:
        """Largest difference of whole and half steps, in units of what is tolerated."""
        worst = 0.0
        for place in (_DRY_PUMP, _DRY, _WET_PUMP, _WET):
            total = (
                half[_DRY_PUMP if place in (_DRY_PUMP, _WET_PUMP) else _DRY]
                + (half[_WET_PUMP if place in (_DRY_PUMP, _WET_PUMP) else _WET])
            )
            difference = abs(whole[place] - half[place]) / (_TOLERANCE * total + _ABSOLUTE_PA)
            worst = max(worst, difference)
        if half[_WATER] > 0.0:
            whole_k = self._spot(whole[_HEAT], whole[_WATER])[0]
            half_k = self._spot(half[_HEAT], half[_WATER])[0]
            worst = max(worst, abs(whole_k - half_k) / 0.1)
        return worst


def _rate_factor(kelvin: float) -> float:
    """Arrhenius factor of the rates of stores."""
    return math.exp(_STORE_ENERGY / GAS_CONSTANT * (1.0 / _REFERENCE_K - 1.0 / kelvin))


def _heat_factor(kelvin: float) -> float:
    """Factor of the equilibrium pressures of stores."""
    return math.exp(_STORE_HEAT / GAS_CONSTANT * (1.0 / _REFERENCE_K - 1.0 / kelvin))
