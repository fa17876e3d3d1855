"""The text tab: its lines, header and layout, read and written."""
