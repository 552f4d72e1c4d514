"""Strategies side by side, which to set, and one household under several tariffs."""
