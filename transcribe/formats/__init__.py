"""One module per file format; each reads into and writes from `transcribe.riff.Riff`."""
