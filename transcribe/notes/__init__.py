"""From a recording to notes."""
