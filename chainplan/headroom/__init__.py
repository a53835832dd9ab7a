"""Headroom: how far each lever can move alone before a target is missed, and what would mend a miss."""
