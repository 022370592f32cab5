"""The patient's log: what happened on a day, as the person, a helper, the therapist or the clinic wrote it.

``read_log(text, name)`` reads CSV or JSON; every fault found is reported at once. What a log may hold is
defined in ``fhircare.log.entry``; its fields are those of the blank log sheet in the instructions.
"""

from __future__ import annotations

from fhircare.log.entry import LogEntry, LogSession, Skin
from fhircare.log.reading import columns, entry_from, read_log

__all__ = ["LogEntry", "LogSession", "Skin", "columns", "entry_from", "read_log"]
