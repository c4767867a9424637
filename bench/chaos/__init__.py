"""The ledger test: many gateways publish numbered packs while everything that can break is broken.

`proxy` stands between the parts, understands what passes (`watch`, `mqtt`) and breaks it at named points;
`gateways` make the load and write down what they were promised in the `ledger`; `stage` holds the processes,
`faults` what is done to them, and `checker` compares promises with the store. Run with ``make chaos``.
"""
