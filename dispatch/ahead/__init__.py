"""Planning on what is known: the rolling year and tonight."""
