"""Voltages that isolation carries, against what barriers and distances hold."""
