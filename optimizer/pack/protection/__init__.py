"""Currents over time, and protection that fits together."""
