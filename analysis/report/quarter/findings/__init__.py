"""What a quarter found, in the order of the work.

- ``finding``: What a quarter found: records, each with what was looked at; every claim of the report speaks from them.
- ``rules``: The rules by which the released counts of a quarter become findings; nothing is rounded here.
- ``words``: Who was seen and which indicators changed, in words: how many were judged before what was found.
- ``signal_words``: Signals in words: how their limits were chosen, over how many comparisons, and how often chance makes one.
- ``since_last``: What became of the last release: which counts late data revised, which signals are new, go on, or are none now.
- ``action_words``: Actions of the team in words: what became of each since the last release, and none lost on the way.
- ``board_words``: The summary in the words of a board: each verdict in plain language, what became of the target, and what to do.
- ``equity_words``: Groups of patients in words: how many comparisons could be made, which groups differ, and what is hidden.
- ``target_words``: Targets in words: met for certain, missed, or neither for certain, as the interval of the quarter says.
- ``site_words``: The sites in words: how many were judged, which lie beyond the limits, and nothing of those hidden; their figures.
- ``other_sites_words``: The sites by every other indicator, in words: how many judged, hidden, beyond limits.
- ``over_blocks``: Sites over blocks of quarters: what can be shown of each, counted and in words; nothing is tested there.
- ``curve_words``: Recovery curves by group of quarters in words: how far the means lie apart, and what that does not say.
- ``doubts``: Harms, and what speaks against the findings, in words; where nothing does, what was looked for.
"""
