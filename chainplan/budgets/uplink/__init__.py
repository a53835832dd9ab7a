"""The buses above the controllers."""
