"""Strings, as sound."""
