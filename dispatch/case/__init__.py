"""A scenario resolved to limits, series, floor and prices: what every computation starts from."""
