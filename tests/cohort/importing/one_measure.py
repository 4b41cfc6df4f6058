"""The smallest map and file of one measure, for tests that are about something else."""

LONG = """
[patients]
patient_id = "id"
protocol = "arm"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
"""
DATA = "id,arm,week,pain\nP1,usual,0,6\nP1,usual,6,3\nP2,early,0,5\nP2,early,6,\n"
