"""spec."""
