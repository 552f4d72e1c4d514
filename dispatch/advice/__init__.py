"""What to set: chosen once, as an inverter runs it, and used by every command."""
