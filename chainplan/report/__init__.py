"""Reports: budgets and verdicts as terminal text, pages and data; nothing is computed here."""
