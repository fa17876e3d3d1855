"""Strings, as sound: the model of a plucked string, and the playing of a riff."""

from transcribe.sound.playback import PEAK, render_riff
from transcribe.sound.plucked_string import Body, StringModel, body_gain, partials_hz, pluck

__all__ = ["PEAK", "Body", "StringModel", "body_gain", "partials_hz", "pluck", "render_riff"]
