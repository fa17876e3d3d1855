"""MusicXML 4.0: read from any program's files, written as notation over tablature."""
