"""Tempo, beats, bars, note values and phrases."""
