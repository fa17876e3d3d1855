"""Makes the note network's weights."""
