"""Facts, rules, verdicts, water and outlook: pure functions of the moisture path."""
