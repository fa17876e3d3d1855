"""The player's corrections of a riff, each one step of its history."""
