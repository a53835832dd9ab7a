"""Headroom: how far each parameter can move alone before a target is missed, and what would fix a miss."""
