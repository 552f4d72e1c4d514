"""The search for the best settings that can be entered."""
