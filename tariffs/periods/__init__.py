"""Which price holds when, and what is measured."""
