"""A piece that is taught in parts: split from a recorded session, and what its parts share."""
