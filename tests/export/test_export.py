"""What is exported is what was written down, to the last bit, with its units."""

from __future__ import annotations

import csv
import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest

from autocell.bench.file import load, shipped
from autocell.cli.main import main
from autocell.errors import UsageError
from autocell.export import write
from autocell.outcome import Outcome, Proof, Verdict
from autocell.reading import Reading
from autocell.records import Store
from autocell.setting import Setting

BEGAN = datetime(2026, 11, 25, 22, 0, 7, tzinfo=UTC)
UNITS = {"spacing": "m", "yaw": "rad"}


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    """A store with one run: two readings, a move that arrived and one that broke off."""
    path = tmp_path / "runs.sqlite"
    with Store.open(path, utc=lambda: BEGAN) as store:
        bench = load(shipped("peat-bog"))
        run = store.begin("change", bench, BEGAN, "0.1.0", {"passes": 62})
        move = run.move_intended(1.5, "spacing", 0.04, 0.026, 'approach, "fast"')
        run.move_ended(move, 4.5, 0.0260001, "arrived")
        run.move_intended(5.0, "yaw", 0.0, 1e-3, "aim")
        for k, power_w in enumerate((1 / 3, 2e-7)):
            setting = Setting(0.1 + 0.2, 0.02, 1e-17, -0.04, 0.07)
            run.reading(Reading(setting, power_w, 2e-9, 8 + k, 12.25), "edge µ")
        run.event(13.0, "retry", "the meter was silent once\nand then not")
        run.finish(Outcome(Verdict.REACHED, "there", 62, 62, Proof(True, 0.9999)))
    return path


def export(store_path: Path, to: Path, *options: str) -> None:
    assert main(["export", "last", "--to", str(to), "--store", str(store_path), *options]) == 0


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_is_read_back_to_the_last_bit(store_path: Path, tmp_path: Path) -> None:
    export(store_path, tmp_path / "run.csv")
    first, second = rows_of(tmp_path / "run.csv")
    assert float(first["power_w"]) == 1 / 3
    assert float(first["spacing_m"]) == 0.1 + 0.2
    assert (second["samples"], second["purpose"]) == ("9", "edge µ")


def test_csv_of_moves_has_units_row_by_row_and_empty_fields(
    store_path: Path, tmp_path: Path
) -> None:
    export(store_path, tmp_path / "moves.csv", "--table", "moves")
    first, second = rows_of(tmp_path / "moves.csv")
    assert (first["axis"], first["unit"], first["purpose"]) == ("spacing", "m", 'approach, "fast"')
    assert (second["unit"], second["position"], second["outcome"]) == ("rad", "", "")


def test_json_holds_all_of_it(store_path: Path, tmp_path: Path) -> None:
    export(store_path, tmp_path / "run.json")
    told = json.loads((tmp_path / "run.json").read_text("utf-8"))
    assert told["outcome"]["verdict"] == "reached"
    assert told["arguments"] == {"passes": 62}
    assert told["tables"]["readings"]["units"]["power_w"] == "W"
    assert told["tables"]["readings"]["rows"][0]["power_w"] == 1 / 3
    assert told["tables"]["moves"]["rows"][1]["position"] is None
    assert told["tables"]["events"]["rows"][0]["text"].endswith("and then not")
    assert told["bench_text"] == shipped("peat-bog").read_text("utf-8")


def test_hdf5_holds_all_of_it_with_units(store_path: Path, tmp_path: Path) -> None:
    export(store_path, tmp_path / "run.h5")
    with h5py.File(tmp_path / "run.h5") as file:
        assert file.attrs["verdict"] == "reached"
        assert bool(file.attrs["proved"])
        assert file["readings/power_w"].attrs["units"] == "W"
        assert list(file["readings/power_w"]) == [1 / 3, 2e-7]
        assert file["readings/slope_x"].attrs["units"] == "rad"
        assert file["readings/samples"].dtype == np.int64
        assert file["readings/purpose"].asstr()[0] == "edge µ"
        assert np.isnan(file["moves/position"][1])
        assert file["moves/unit"].asstr()[1] == "rad"
        assert json.loads(file["outcome_json"].asstr()[()])["passes"] == 62


@pytest.mark.parametrize("suffix", [".csv", ".json", ".h5"])
def test_a_run_that_did_nothing_is_exported_too(suffix: str, tmp_path: Path) -> None:
    with Store.open(tmp_path / "runs.sqlite", utc=lambda: BEGAN) as store:
        bench = load(shipped("peat-bog"))
        record = store.run(store.begin("change", bench, BEGAN, "0.1.0", {}).id)
    write(record, tmp_path / f"run{suffix}", "readings", UNITS)
    assert (tmp_path / f"run{suffix}").stat().st_size > 0


def test_what_cannot_be_written_is_one_sentence(
    store_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for to, told in (("run.xls", "its suffix says no format"), ("no/run.csv", "cannot be written"),
                     ("no/run.h5", "cannot be written")):  # fmt: skip
        call = ["export", "last", "--to", str(tmp_path / to), "--store", str(store_path)]
        assert main(call) == 2
        assert told in capsys.readouterr().err


def test_without_h5py_the_extra_is_named(
    store_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "h5py", None)  # as Python has it for what is not installed
    with Store.open(store_path) as store:
        record = store.run(store.runs()[0].id)
    with pytest.raises(UsageError, match=r"autocell\[hdf5\]"):
        write(record, tmp_path / "run.h5", "readings", UNITS)
