"""Without the grid: hours of backup, outages played, refilling, expected loss."""
