"""The theory of a riff: mode, chords, loop and ways to play them."""
