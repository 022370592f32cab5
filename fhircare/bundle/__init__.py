"""bundle."""
