"""Who approves, and who wrote: a member of the care team, or somebody added with who they are."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from fhircare.bundle import read, to_bundle
from fhircare.bundle.history import revisions
from fhircare.check import check
from fhircare.cli import main
from fhircare.errors import LogError, PlanningError
from fhircare.follow.clinician import NPI, added, of_team
from fhircare.follow.keep import approve, follow, take
from fhircare.plan import Identifier, Name
from tests.plans import whole_plan
from tests.test_bundle_history import AT, day, resources
from tests.test_follow_decide import PLAN, entry

# The example number of the NPI standard (CMS, "NPI Check Digit Calculation": 123456789 has check digit 3).
GOOD_NPI, BAD_NPI = "1234567893", "1234567890"
TEAM = replace(
    PLAN,
    professionals=(
        replace(PLAN.professionals[0], identifiers=(Identifier(system=NPI, value=GOOD_NPI),)),
        *PLAN.professionals[1:],
    ),
)


def approvals(bundle):
    found = [one for one in resources(bundle, "Provenance") if one.get("reason")]
    return [one["agent"][0] for one in found if one["agent"][0]["type"]["coding"][0]["code"] == "verifier"]


@pytest.mark.parametrize(
    "told", ["Ruth Okafor", "okafor", " RUTH  OKAFOR ", "Okafor, Ruth", GOOD_NPI, f"{NPI}|{GOOD_NPI}"]
)
def test_a_name_or_a_number_of_the_care_team_is_known(told):
    """Capitals, order and a leading system make no difference to who is meant."""
    assert of_team(TEAM, told) == 0


@pytest.mark.parametrize("told", ["", "Ruth", "Ruth Okafor Smith", "Ruth Okonkwo", "1999999992", BAD_NPI])
def test_nobody_else_is_taken_for_a_member(told):
    """A given name alone, another name, a number nobody has, and one with a wrong check digit are refused."""
    with pytest.raises(PlanningError):
        of_team(TEAM, told)


def test_two_of_a_name_are_not_guessed_between():
    """A family name that two have asks for the identifier."""
    twice = replace(
        TEAM,
        professionals=(*TEAM.professionals, replace(TEAM.professionals[0], role="physician", identifiers=())),
    )

    with pytest.raises(PlanningError, match="several"):
        of_team(twice, "Okafor")
    assert of_team(twice, GOOD_NPI) == 0


def test_an_approval_refers_to_the_practitioner():
    """Provenance.agent.who is the Practitioner of the bundle, on behalf of the clinic, with the time."""
    bundle = approve(to_bundle(TEAM, validate=False), GOOD_NPI, AT)

    (agent,) = approvals(bundle)
    urls = {item["fullUrl"]: item["resource"] for item in bundle["entry"]}
    assert urls[agent["who"]["reference"]]["identifier"][0]["value"] == GOOD_NPI
    assert agent["who"]["display"] == str(TEAM.professionals[0].name)
    assert urls[agent["onBehalfOf"]["reference"]]["resourceType"] == "Organization"
    recorded = [one["recorded"] for one in resources(bundle, "Provenance") if one.get("reason")]
    assert recorded == [AT.isoformat()]


def test_the_reference_lives_through_revisions():
    """After later revisions the approval still leads to the practitioner."""
    bundle = approve(to_bundle(TEAM, validate=False), "Okafor", AT)
    bundle = follow(take(bundle, [entry(0, worn="half")]).bundle, day(1)).bundle

    (agent,) = approvals(bundle)
    urls = {item["fullUrl"] for item in bundle["entry"]}
    assert read(bundle).plan.revision == 2
    assert agent["who"]["reference"] in urls


def test_who_is_not_in_the_care_team_is_refused_or_added_whole():
    """A stranger approves nothing; with role and identifier they join the care team and approve."""
    bundle = to_bundle(TEAM, validate=False)
    with pytest.raises(PlanningError, match="care team"):
        approve(bundle, "Lena Voss", AT)

    lena = added("Lena Voss", "physician", npi="1679576722")
    after = approve(bundle, "Lena Voss", AT, new=lena)

    assert read(after).plan.professionals[-1] == lena
    assert approvals(after)[0]["who"]["display"] == "Lena Voss"
    assert [str(one) for one in check(after).issues if one.severity == "error"] == []
    assert revisions(after)[0].status == "active"


@pytest.mark.parametrize(
    "told",
    [
        {"told": "Lena Voss"}, {"told": "Voss", "npi": GOOD_NPI}, {"told": "Lena Voss", "npi": BAD_NPI},
        {"told": "Lena Voss", "identifier": "no bar"},
    ],
)  # fmt: skip
def test_a_stranger_without_a_name_and_number_is_not_added(told):
    """A whole name and an identifier that can be one are the least."""
    with pytest.raises(PlanningError):
        added(role="physician", **told)


def test_a_clinicians_entry_names_the_practitioner():
    """An entry by a named clinician refers to them, is read back, and a wrong name stores nothing."""
    plan = whole_plan()
    bundle = to_bundle(plan, validate=False)
    at = dt.datetime(2026, 11, 20, 9, tzinfo=dt.UTC)
    wrote = replace(entry(0, worn="none", released=True), on=at.date(), written_at=at, by="okafor")

    taken = take(bundle, [wrote])

    (panel,) = [
        one for one in resources(taken.bundle, "Observation") if "valueBoolean" in str(one.get("component"))
    ]
    urls = {item["fullUrl"]: item["resource"] for item in taken.bundle["entry"]}
    assert [urls[one["reference"]]["resourceType"] for one in panel["performer"]] == [
        "Organization",
        "Practitioner",
    ]
    assert taken.new[0].by == str(Name(family="Okafor", given=("Ruth", "Ada")))
    for wrong in (replace(wrote, by="Nobody"), replace(wrote, author="patient", released=None)):
        with pytest.raises(LogError):
            take(bundle, [wrong])


def test_approving_by_the_command(tmp_path, capsys):
    """A stranger is refused with the mend and nothing is written; added with data, they approve."""
    from fhircare.bundle import dump, load

    path = tmp_path / "b.json"
    path.write_text(dump(to_bundle(TEAM)), encoding="utf-8")
    before = path.read_bytes()

    assert main(["approve", str(path), "--by", "Lena Voss"]) == 2
    assert "--new" in capsys.readouterr().err
    assert path.read_bytes() == before
    words = ["--new", "--role", "physician", "--npi", "1679576722", "--at", TEAM.written_at.isoformat()]
    assert main(["approve", str(path), "--by", "Lena Voss", *words]) == 0
    assert len(read(load(path.read_text(encoding="utf-8"))).plan.professionals) == len(TEAM.professionals) + 1


def test_nobody_approves_what_is_not_written_yet(tmp_path, capsys):
    """A moment before the plan was written is refused with the mend, and nothing is written."""
    from fhircare.bundle import dump

    path = tmp_path / "b.json"
    path.write_text(dump(to_bundle(TEAM)), encoding="utf-8")
    before = path.read_bytes()
    early = (TEAM.written_at - dt.timedelta(minutes=1)).isoformat()

    assert main(["approve", str(path), "--by", "Okafor", "--at", early]) == 2
    assert "--at" in capsys.readouterr().err
    assert path.read_bytes() == before
    assert main(["approve", str(path), "--by", "Okafor", "--at", TEAM.written_at.isoformat()]) == 0
