"""Published tables as data, each with its source, and the rules for reading them."""
