"""Bit errors: what they cost, and what no check sees."""
