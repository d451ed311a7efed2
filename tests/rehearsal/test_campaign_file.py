"""The file of a campaign."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Generator, Iterable
from pathlib import Path

import pytest
from autocell_simulators.faults.scenario import read
from autocell_simulators.rehearsal.campaign import rehearse_all
from autocell_simulators.rehearsal.campaign_file import CampaignFile
from autocell_simulators.rehearsal.code import Code, present_code
from autocell_simulators.rehearsal.one import Guess, Rehearsal
from autocell_simulators.rehearsal.plan import Lost, Plan

from autocell.errors import StoreError, UsageError

Make = Callable[..., Rehearsal]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "folder" / "campaign.jsonl"


def test_results_come_back_to_the_last_digit(path: Path, plan: Plan, make: Make) -> None:
    results = [
        make(0, travel_m=0.1 + 0.2, claims=(Guess(1 / 3, 56, 62), Guess(1.0, 62, 62))),
        make(7, passes=None, probability=None, proved=False, margin_low_m=None),
    ]
    file = CampaignFile(path, plan)
    for result in results:
        file.append(result)
    assert CampaignFile(path, plan).results == {0: results[0], 7: results[1]}


@pytest.mark.parametrize("lost", [1, 40, 300])
def test_a_torn_last_line_is_cut_off_and_the_file_goes_on(
    path: Path, plan: Plan, make: Make, lost: int
) -> None:
    file = CampaignFile(path, plan)
    file.append(make(0))
    file.append(make(1))
    path.write_bytes(path.read_bytes()[:-lost])
    again = CampaignFile(path, plan)
    assert list(again.results) == [0]
    again.append(make(2))
    assert list(CampaignFile(path, plan).results) == [0, 2]


def test_a_file_that_was_torn_in_its_first_line_starts_anew(path: Path, plan: Plan) -> None:
    CampaignFile(path, plan)
    whole = path.read_bytes()
    path.write_bytes(whole[:30])
    assert CampaignFile(path, plan).results == {}
    assert path.read_bytes() == whole


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"passes": 38}, "passes 26 there, 38 now"),
        ({"seed": 6}, "seed 5 there, 6 now"),
        ({"scale": 3.0}, "tolerances 1.0 there, 3.0 now"),
    ],
)
def test_the_file_of_another_campaign_is_refused(
    path: Path, plan: Plan, change: dict[str, float], named: str
) -> None:
    CampaignFile(path, plan)
    before = path.read_bytes()
    with pytest.raises(UsageError, match=named):
        CampaignFile(path, dataclasses.replace(plan, **change))
    assert path.read_bytes() == before


def test_the_file_of_another_bench_is_refused(path: Path, plan: Plan) -> None:
    CampaignFile(path, plan)
    other = dataclasses.replace(plan.description, sha256="0" * 64)
    with pytest.raises(UsageError, match="bench_sha256"):
        CampaignFile(path, dataclasses.replace(plan, description=other))


def test_the_file_of_another_scenario_is_refused(path: Path, plan: Plan) -> None:
    knocked = read("scenario: a knock (invented)\nfaults: [{fault: knock, when: {reading: 40}}]\n")
    harder = read("scenario: a knock (invented)\nfaults: [{fault: knock, when: {reading: 41}}]\n")
    CampaignFile(path, dataclasses.replace(plan, scenario=knocked))
    CampaignFile(path, dataclasses.replace(plan, scenario=dataclasses.replace(knocked, name="x")))
    for other in (plan, dataclasses.replace(plan, scenario=harder)):
        with pytest.raises(UsageError, match="campaign"):
            CampaignFile(path, other)


def as_before_the_code_was_named(path: Path) -> None:
    header, *results = path.read_text().splitlines(keepends=True)
    told = json.loads(header)
    del told["code"]
    path.write_text("".join([json.dumps(told) + "\n", *results]))


def test_a_campaign_says_which_code_made_it(path: Path, plan: Plan) -> None:
    code = Code("0.1.0", "f" * 64, "a" * 40, modified=True)
    CampaignFile(path, plan, code)
    header = json.loads(path.read_text())
    assert header["version"] == "0.1.0"
    assert header["code"] == {"sha256": "f" * 64, "revision": "a" * 40, "modified": True}


@pytest.mark.parametrize(
    ("made_by", "named"),
    [
        (Code("0.0.1", "f" * 64), "0.0.1, source ffffffffffff"),
        (Code("0.1.0", "f" * 64, "a" * 40, modified=False), "0.1.0, revision aaaaaaaaaaaa;"),
        (Code("0.1.0", "f" * 64, "a" * 40, modified=True), "revision aaaaaaaaaaaa modified, sou"),
        (None, "did not say which"),
    ],
)
def test_a_campaign_of_other_code_is_read_and_never_gone_on_with(
    path: Path, plan: Plan, make: Make, made_by: Code | None, named: str
) -> None:
    CampaignFile(path, plan, made_by).append(make(0))
    if made_by is None:
        as_before_the_code_was_named(path)
    before = path.read_bytes()
    file = CampaignFile(path, plan)
    assert rehearse_all(plan, 1, file, nobody) == [make(0)]
    with pytest.raises(UsageError, match=f"other code.*{named}"):
        rehearse_all(plan, 2, file, nobody)
    assert path.read_bytes() == before


def test_the_same_source_goes_on_whatever_its_revision_is_called(
    path: Path, plan: Plan, make: Make
) -> None:
    source = present_code().sha256
    CampaignFile(path, plan, Code("0.1.0", source, "a" * 40, modified=True))
    done = rehearse_all(plan, 1, CampaignFile(path, plan), lambda _plan, _missing: alone(make(0)))
    assert done == [make(0)]


def nobody(_plan: Plan, indices: Iterable[int]) -> Generator[Rehearsal, None, None]:
    assert not list(indices)
    yield from ()


def alone(rehearsal: Rehearsal) -> Generator[Rehearsal, None, None]:
    yield rehearsal


@pytest.mark.parametrize("content", ["notes without an end", "a line\nand another", "{}\n", "3\n"])
def test_a_file_of_something_else_is_refused_and_left_as_it_is(
    path: Path, plan: Plan, content: str
) -> None:
    path.parent.mkdir()
    path.write_text(content)
    with pytest.raises(UsageError, match="not the file of a campaign"):
        CampaignFile(path, plan)
    assert path.read_text() == content


def test_a_damaged_line_is_named_by_its_number(path: Path, plan: Plan, make: Make) -> None:
    file = CampaignFile(path, plan)
    file.append(make(0))
    path.write_text(path.read_text() + '{"index": 1}\n')
    file.append(make(2))
    with pytest.raises(UsageError, match="jsonl:3: not a result"):
        CampaignFile(path, plan)


def test_a_place_that_cannot_be_written_is_an_error_of_the_store(
    tmp_path: Path, plan: Plan
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be used"):
        CampaignFile(tmp_path / "file" / "campaign.jsonl", plan)


def test_only_what_is_missing_is_carried_out_and_results_come_in_order(
    path: Path, plan: Plan, make: Make
) -> None:
    file = CampaignFile(path, plan)
    file.append(make(1))
    asked: list[int] = []

    def backwards(_plan: Plan, indices: Iterable[int]) -> Generator[Rehearsal, None, None]:
        for index in sorted(indices, reverse=True):
            asked.append(index)
            yield make(index)

    told: list[tuple[int, int, float | None]] = []
    results = rehearse_all(plan, 4, file, backwards, lambda *args: told.append(args))
    assert asked == [3, 2, 0]
    assert [result.index for result in results] == [0, 1, 2, 3]
    assert [(done, total) for done, total, _ in told] == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert told[0][2] is None
    assert told[-1][2] == 0.0


def test_a_bench_that_was_lost_is_no_result_and_tried_again(
    path: Path, plan: Plan, make: Make
) -> None:
    def losing(_plan: Plan, indices: Iterable[int]) -> Generator[Rehearsal | Lost, None, None]:
        for index in indices:
            yield Lost(index, "killed") if index == 1 else make(index)

    lost: list[Lost] = []
    results = rehearse_all(plan, 3, CampaignFile(path, plan), losing, tell_lost=lost.append)
    assert [result.index for result in results] == [0, 2]
    assert lost == [Lost(1, "killed")]

    def asked_for_it(_plan: Plan, indices: Iterable[int]) -> Generator[Rehearsal, None, None]:
        assert list(indices) == [1]
        yield make(1)

    results = rehearse_all(plan, 3, CampaignFile(path, plan), asked_for_it)
    assert [result.index for result in results] == [0, 1, 2]


def test_fewer_benches_than_the_file_has_are_the_first_of_them(
    path: Path, plan: Plan, make: Make
) -> None:
    file = CampaignFile(path, plan)
    for index in (2, 0, 1):
        file.append(make(index))
    results = rehearse_all(plan, 2, file, nobody)
    assert [result.index for result in results] == [0, 1]
