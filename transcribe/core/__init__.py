"""What every part shares: the riff, the instrument, the clock, the errors."""
