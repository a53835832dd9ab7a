"""Plans side by side: what was changed in the plan, and what that did to every budget and verdict."""
