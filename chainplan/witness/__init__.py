"""The witness: a discrete-event simulation of a plan, written without the budgets' formulas.

It simulates every exchange frame by frame and hop by hop along the built-out network, with drawn tolerances,
bit errors and injected faults, and must never exceed a computed bound. Nothing in here imports a
budget, except :mod:`chainplan.witness.compare`, which puts what was observed beside what was computed.
"""
