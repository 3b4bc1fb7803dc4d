"""Reading logs: files in, checked tables out, with every problem as a row.

``read_logs`` opens the files of a folder (`files`, `delimited`), puts those of a table together
(`raw`), types the cells and applies the rules of the columns (`values`, `rows`), checks each row by
itself (`rowchecks`), cuts at as-of (`cutting`), drops repetitions (`repeated`) and checks the tables
against each other (`crosschecks`). What was found is told by `report`, and what it costs which
analysis by `requirements`.
"""

from .problems import LogsError
from .reading import read_logs
from .report import describe_check, printable
from .result import Logs, Source, once

__all__ = [
    "Logs",
    "LogsError",
    "Source",
    "describe_check",
    "once",
    "printable",
    "read_logs",
]
