"""Worst-case budgets: one pure function family a file, over the chain graph, with no output of any kind."""
