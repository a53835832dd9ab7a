"""The plan handed on: the slot table for the firmware, the planned scan as waveforms for the bench.

Pure functions from a :class:`~chainplan.budgets.scanning.scan.ControllerScan` to text. Nothing here knows a
screen.
"""
