"""Metered energy to a bill of exact decimals."""
