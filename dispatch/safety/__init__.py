"""What safety costs: reserve levels, the frontier, the study of backup hours."""
