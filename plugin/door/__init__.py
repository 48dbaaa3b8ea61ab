"""The front door: the panel of a lake, its dialogs, and what they start. Nothing is computed here."""
