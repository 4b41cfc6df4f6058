"""The home programme: sessions done and reported, and the limits of the brace.

- ``sessions``: Home sessions: prescribed, done, logged and reported, falling over weeks; what a naive reader concludes from them.
- ``brace``: Motion limits of the brace, opened by week, and never less open than the flexion that was reached.
"""
