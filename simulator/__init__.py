"""An invented fleet: circuits with their physics, gauges, gateways and crews.

A foreign client of Holdfast: it speaks MQTT and HTTP and imports nothing but `physics`.

Modules
-------
clock
    What it asks of a clock.
saturation, circuit
    Physics of one rig: pump, hose, valve, circuit, leak, water and gas from oil.
ambient
    Temperature over the day.
gauge
    What a gauge makes of a pressure.
senml
    Readings to SenML packs (RFC 8428).
valve
    A motorised valve: orders, interlocks, outcomes.
gateway
    Store and forward, receipts, presence: a state machine without a network.
mqtt
    The thin edge that puts gateways on a broker.
rig, crew
    A site with its instruments, and what people do there.
scenario, cases
    The invented company, and the story of each of its sites.
world, run
    All of it driven by a clock.
load
    Many simple gauges, for measuring.
"""
