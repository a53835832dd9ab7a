"""What crosses the wires, when, and how long a scan takes."""
