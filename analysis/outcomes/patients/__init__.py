"""RESPOND: who the patients are, who was seen, and who was expected."""
