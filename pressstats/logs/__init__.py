"""Reading logs: files in, checked tables out, with every problem as a row.

``read_logs`` opens the files of a folder (`files`, `delimited`), puts those of a table together
(`raw`), types the cells and applies the rules of the columns (`values`, `rows`), checks each row by
itself (`rowchecks`), cuts at as-of (`cutting`), drops repetitions (`repeated`) and checks the tables
against each other (`crosschecks`, `reelchecks`).
"""

from .problems import LogsError
from .reading import Logs, Source, read_logs

__all__ = ["Logs", "LogsError", "Source", "read_logs"]
