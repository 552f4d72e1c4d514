"""Results as rich renderables, which never print."""
