"""RESPOND: what was done at home, what it did, and what happened meanwhile.

- ``sessions_done``: Home adherence: sessions done against sessions prescribed, by protocol, week and modality, with
  denominators.
- ``home_dose``: Home dose: minutes done, and stimulation delivered (minutes times level) above the knee and at the
  thigh.
- ``home_exposure``: What a patient did at home in some weeks, as one number: a share of sessions, or hours a week.
- ``adherence_association``: Home sessions and recovery: the naive slope, the adjusted one, the lagged one and its
  reverse, each labelled.
- ``adherence_classes``: Courses of adherence described in classes, with the limits said and the share itself kept
  beside them.
- ``complier_effect``: Effect of the home dose in a trial, by its allocation: what more sessions did in those who do
  them when offered.
- ``reported_adherence``: What patients say they did against what was logged.
- ``prescribed_modalities``: Which home sessions each protocol prescribes: what is not prescribed has no adherence,
  and is not done to 0 %.
- ``time_to_stopping``: Time to stopping the home programme, by protocol: the first week of a run of idle weeks that
  lasts to the end.
- ``weeks_with_enough``: Share of the programme's weeks in which a patient did enough of the sessions prescribed, at
  80 % and other shares.
- ``events``: Harms and other events by protocol, with denominators; not recorded is not the same as none.
- ``events_by_week``: Events during the weeks of the home programme, beside what was done at home in those weeks.
- ``intercurrent_events``: Events after the start that can change what an outcome means, and how many patients were
  measured after them.
"""
