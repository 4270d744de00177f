"""From the bench: measured cells sorted into groups that are as equal as can be."""
