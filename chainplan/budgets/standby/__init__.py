"""What happens beside the scan: start-up, balancing, and what the nodes draw from their cells."""
