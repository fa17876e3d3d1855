"""The commands behind `transcribe.command.main`: the arguments, and each kind of work.

`arguments` knows every command and its options, and names what runs it; that is imported only when
the command is used, so that the help is there at once.
"""
