"""Breaking in the wearing of a prosthesis.

ladder.py   the rungs: how long, how many sessions, sitting, standing, walking
pace.py     which pace, and which rung the next day stands on
day.py      where a day's sessions go
layout.py   the sessions of a rung on a date, for a record or for a plan read back
schedule.py all of it, day by day, with the reasons
"""
