"""Facts turned into sentences that every face shares; no rich."""
