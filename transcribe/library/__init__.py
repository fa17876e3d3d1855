"""The files of a folder of riffs, written without losing what a player changed."""
