"""Servers to test against: two real ones of other makes, and one that misbehaves on purpose."""
