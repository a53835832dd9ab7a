"""What a figure is, apart from any plan: its terms, its kind, its limit, and the budget it comes from."""
