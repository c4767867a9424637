"""Physics of evacuation: pure functions, SI in and out, each with its published source.

Modules
-------
constants
    Constants of nature and of air and water.
units
    Pressure and temperature units of the trade.
water
    Vapour pressure over ice and liquid water, and its inverse.
flow
    Conductance of hoses and pipes in viscous, transition and molecular flow; choked orifices.
pumpdown
    Time to a pressure and the pressure a pump ends at.
leaks
    Leak rates, what a hold can show, and the refrigerant loss a vacuum leak stands for.
pipes
    Volume of a circuit from its pipes and vessels, with its range.
refrigerants
    A small table of refrigerant properties.
gas
    Ideal gas: mass of vapour, correction to a reference temperature.
"""
