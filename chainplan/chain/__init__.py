"""The chain as a graph and the high-voltage strings it is built into."""
