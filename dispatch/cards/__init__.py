"""Settings that can be entered on the device: cards, their space, their file."""
