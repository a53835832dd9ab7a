"""How old values are, what they show, and how soon a fault is known and handled."""
