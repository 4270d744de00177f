"""Conductors as metal: which terminals they join, the pieces with their outlines, what they resist."""
