"""Colours that drawings and models share."""

# Tints of the series groups, in turn along the chain: a group and its two neighbours differ.
TINTS = ("#f2d9a0", "#b9dcd3", "#d9cce8", "#f0cfc4", "#cfe0f2", "#dde6b4")
