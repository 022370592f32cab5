"""planner."""
