"""Holding a take against a reference."""
