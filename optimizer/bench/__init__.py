"""Measured cells from the bench, sorted into groups that are as equal as possible."""
