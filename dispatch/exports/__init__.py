"""Results as files: JSON, CSV, calendar, page."""
