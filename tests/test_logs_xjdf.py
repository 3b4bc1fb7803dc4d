"""Job files of the open standard beside tables: audit pools become rows, and what is amiss has its line."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.logs.xjdf import NAMESPACE

PLANT = (
    PLANT_TOML
    + """
[constants.runs]
production = "straight"
page_width_mm = 300
page_height_mm = 400
[constants.reel_mounts]
web = "A"
reelstand = "R1"
ended_by = "run_end"
[columns.runs]
"Issue" = "date"
"""
)
#: Lots of 4500 good and 66 wasted, 2200 and 22: in all 6700 and 88, the standard's own sample figures.
JOB = f"""<?xml version="1.0" encoding="UTF-8"?>
<XJDF xmlns="{NAMESPACE}" JobID="J7" JobPartID="1" DescriptiveName="Evening" Types="ConventionalPrinting">
  <GeneralID IDUsage="Issue" IDValue="2025-03-10"/>
  <GeneralID IDUsage="pages" IDValue="16"/>
  <AuditPool>
    <AuditProcessRun>
      <Header DeviceID="P1"/>
      <ProcessRun Start="2025-03-09T21:00:00Z" End="2025-03-09T21:20:00Z" EndStatus="Aborted">
        <Part LotID="R9"/></ProcessRun>
      <ProcessRun Start="2025-03-09T21:30:00Z" End="2025-03-09T22:00:00Z" EndStatus="Completed">
        <Part LotID="R8"/></ProcessRun>
    </AuditProcessRun>
    <AuditResource><ResourceInfo><ResourceSet Name="Component" Usage="Output"><Resource><AmountPool>
      <PartAmount Amount="4500" Waste="66"><Part LotID="L1"/>
        <PartWaste Waste="50" WasteDetails="MakeReady"/></PartAmount>
      <PartAmount Amount="2200" Waste="22"><Part LotID="L2"/></PartAmount>
    </AmountPool></Resource></ResourceSet></ResourceInfo></AuditResource>
    <AuditResource><ResourceInfo><ResourceSet Name="Media" Usage="Input" Unit="kg"><Resource>
      <GeneralID IDUsage="supplier" IDValue="Northmill"/><GeneralID IDUsage="material" IDValue="N1200"/>
      <AmountPool>
        <PartAmount Amount="95.5" Waste="4.5"><Part LotID="R9"/></PartAmount>
        <PartAmount Amount="47" Waste="1"><Part LotID="R8"/></PartAmount>
      </AmountPool></Resource></ResourceSet></ResourceInfo></AuditResource>
    <AuditResource><ResourceInfo><ResourceSet Name="Ink" Usage="Input" Unit="g"><Resource><AmountPool>
        <PartAmount Amount="1300"><Part Separation="Black"/></PartAmount>
      </AmountPool><Ink SpecificYield="1.0"/></Resource></ResourceSet></ResourceInfo></AuditResource>
  </AuditPool>
  <ResourceSet Name="Component" Usage="Output"><Resource><AmountPool>
    <PartAmount Amount="6600"/>
  </AmountPool></Resource></ResourceSet>
  <ResourceSet Name="Media" Usage="Input" Unit="kg"><Resource><AmountPool>
    <PartAmount Amount="1000"><Part LotID="R9"/></PartAmount><PartAmount Amount="400"><Part LotID="R8"/></PartAmount>
  </AmountPool></Resource></ResourceSet>
</XJDF>
"""


def _read(folder: Path, job: str | bytes = JOB) -> Logs:
    tables = small_tables()
    width = {
        "material": "N1200",
        "width_mm": 1200.0,
        "cutoff_mm": 400.0,
        "cutoffs_per_copy": 1.0,
        "pages": 16.0,
    }
    tables["run_webs"] = pd.concat(
        [tables["run_webs"], pd.DataFrame([{"run_id": "J7/1", "web": "A", **width}])], ignore_index=True
    )
    write_small_plant(folder, tables, PLANT)
    (folder / "J7.xjdf").write_bytes(job.encode() if isinstance(job, str) else job)
    return read_logs(folder)


def _rejected(logs: Logs) -> list[tuple[str, float, str, str]]:
    rows = logs.rejected[logs.rejected["file"] == "J7.xjdf"]
    return list(rows[["table", "line", "column", "rule"]].itertuples(index=False, name=None))


def test_an_audit_pool_becomes_rows(tmp_path: Path) -> None:
    logs = _read(tmp_path)
    assert _rejected(logs) == []
    run = logs["runs"].set_index("run_id").loc["J7/1"]
    assert run["copies_good"] == 6700
    assert run["copies_gross"] == 6700 + 88
    assert (run["copies_startup_waste"], run["copies_running_waste"]) == (50, 38)
    assert (run["copies_ordered"], run["pages"], run["title"], run["press"]) == (6600, 16, "Evening", "P1")
    # an hour ahead of universal time in winter
    assert (str(run["started_at"]), str(run["finished_at"])) == ("2025-03-09 22:00:00", "2025-03-09 23:00:00")
    assert run["date"] == pd.Timestamp("2025-03-10")
    mounts = logs["reel_mounts"]
    mounts = mounts[mounts["run_id"] == "J7/1"].set_index("reel_id")
    assert mounts.loc["R9", ["start_kg", "returned_kg"]].tolist() == [1000, 900]
    assert mounts.loc["R8", ["start_kg", "returned_kg"]].tolist() == [400, 352]
    assert mounts["mounted_at"].dt.strftime("%H:%M").to_dict() == {"R9": "22:00", "R8": "22:30"}
    cover = logs["coverage"].set_index("run_id").loc["J7/1"]
    # 1300 g at 1 g/m2 are 1300 m2; a page has .12 m2, of 6788 copies
    assert (cover["ink"], cover["solid_pages"]) == ("black", pytest.approx(1300 / (6788 * 0.12), rel=1e-12))
    assert {"J7.xjdf"} == {source.file for source in logs.sources if source.file.endswith("xjdf")}


def test_metres_are_what_the_counter_says(tmp_path: Path) -> None:
    logs = _read(
        tmp_path,
        JOB.replace(
            'Usage="Input" Unit="kg"><Resource>\n      <G', 'Usage="Input" Unit="m"><Resource>\n      <G'
        ),
    )
    mounts = logs["reel_mounts"].query("run_id == 'J7/1'")
    assert mounts.set_index("reel_id")["used_m"].to_dict() == {"R9": 100, "R8": 48}
    assert mounts["start_kg"].isna().all()


@pytest.mark.parametrize(
    ("old", "new", "table", "at", "rule"),
    [
        ('Amount="2200"', 'Amount="many"', "runs", "<XJDF", "Amount is no amount: many"),
        ('Amount="2200"', 'Amount="-1"', "runs", "<XJDF", "Amount is no amount: -1"),
        ('WasteDetails="MakeReady"', "", "runs", "<XJDF", "must not be blank"),
        ('"2025-03-09T21:00:00Z"', '"2025-03-09T25:00:00Z"', "runs", "<XJDF", "no such date or time of day"),
        ('"400"><Part LotID="R8"/>', '"400">', "reel_mounts", 'Amount="47"', "nobody knows what went back"),
        ("IDUsage=\"supplier\" IDValue=\"Northmill\"", "", "reel_mounts", 'Amount="95.5"', "must not be blank"),
        ('SpecificYield="1.0"', "", "coverage", 'Amount="1300"', "SpecificYield"),
        ('Unit="g"', 'Unit="l"', "coverage", 'Amount="1300"', "in g or kg"),
        ("</XJDF>", "", "runs", "", "no XML"),
        (NAMESPACE, "http://elsewhere.invalid", "runs", "<?xml", "no XJDF of"),
        ("<ProcessRun ", "<Other ", "runs", 'LotID="R9"', "no XML"),
        (JOB, "", "runs", "<?xml", "no XML"),
        ('<XJDF', '<!DOCTYPE x [<!ENTITY e "ee">]><XJDF', "runs", "<?xml", "entities"),
        ('<XJDF', '<!DOCTYPE x SYSTEM "file:///etc/passwd"><XJDF', "runs", "<?xml", "entities"),
    ],
)  # fmt: skip
def test_what_is_amiss_is_set_aside_with_its_line(
    tmp_path: Path, old: str, new: str, table: str, at: str, rule: str
) -> None:
    assert old in JOB
    logs = _read(tmp_path, JOB.replace(old, new))
    found = [one for one in _rejected(logs) if one[0] == table]
    assert len(found) in (1, 2), found
    # no marker: the end of the file
    assert found[0][1] == JOB[: JOB.index(at) if at else len(JOB)].count("\n") + 1
    assert rule in found[0][3]
    assert len(logs["runs"]) >= len(small_tables()["runs"])


def test_a_job_without_an_audit_pool_was_not_printed(tmp_path: Path) -> None:
    logs = _read(tmp_path, f'<XJDF xmlns="{NAMESPACE}" JobID="J7"/>')
    assert _rejected(logs) == [("runs", 1.0, "", "its audit pool tells of no process run")]


def test_a_file_deeper_than_a_job_is_refused(tmp_path: Path) -> None:
    logs = _read(tmp_path, f'<XJDF xmlns="{NAMESPACE}">' + "<a>" * 60 + "</a>" * 60 + "</XJDF>")
    assert _rejected(logs) == [("runs", 1.0, "", "more elements, or deeper ones, than a job has")]
