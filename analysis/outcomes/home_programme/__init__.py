"""RESPOND: what was done at home, what it did, and what happened meanwhile.

- ``sessions_done``: sessions done against sessions prescribed, by protocol, week and modality.
- ``brace_by_week``: brace limits prescribed by week, and how far the knee moved within them.
- ``home_dose``: minutes done, and stimulation delivered (minutes times level) above the knee and at the thigh.
- ``home_exposure``: what a patient did at home in some weeks, as one number: a share of sessions, or hours a week.
- ``adherence_association``: sessions and recovery: the naive slope, the adjusted one, the lagged one and its reverse.
- ``adherence_classes``: courses of adherence described in classes, with the limits said.
- ``complier_effect``: what more sessions did in those who do them when offered, by the allocation of a trial.
- ``reported_adherence``: what patients say they did against what was logged.
- ``prescribed_modalities``: what each protocol prescribes; what is not prescribed has no adherence, and not one of 0 %.
- ``time_to_stopping``: the first week of a run of idle weeks that lasts to the end, by protocol.
- ``weeks_with_enough``: weeks in which a patient did enough of the sessions prescribed, at 80 % and other shares.
- ``events``: harms and other events by protocol; not recorded is not the same as none.
- ``events_by_week``: events during the weeks of the home programme, beside what was done at home in those weeks.
- ``intercurrent_events``: events after the start that can change what an outcome means.
"""
