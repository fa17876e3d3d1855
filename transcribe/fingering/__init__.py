"""Where on the neck a hand plays the notes."""
