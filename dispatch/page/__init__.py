"""The page: one self-contained HTML file with the four answers and everything behind them, to read, print and keep."""
