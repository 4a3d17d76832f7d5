import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.sources import fitting_profile, known_profiles, read_profile


def changed(profile_path, old, new):
    text = profile_path.read_text(encoding="utf-8")
    assert old in text
    profile_path.write_text(text.replace(old, new), encoding="utf-8")
    return profile_path


def fault_of(path):
    with pytest.raises(DataFault) as caught:
        read_profile(path)
    return str(caught.value)


def test_the_profiles_of_the_project_are_valid_and_have_names_of_their_own():
    sources = [profile.source for profile in known_profiles()]
    assert len(sources) == len(set(sources)) >= 3


def test_a_missing_profile_is_named(tmp_path):
    with pytest.raises(RequestFault, match="There is no source profile at"):
        read_profile(tmp_path / "none.yaml")


def test_a_misspelt_entry_is_refused(profile_path):
    assert 'entry "colums": Extra inputs are not permitted' in fault_of(
        changed(profile_path, "columns:", "colums:")
    )


def test_a_criterion_outside_the_coded_list_is_refused(profile_path):
    assert "not in the coded list of removal criteria: pin lost" in fault_of(
        changed(profile_path, "pin not matching", "pin lost")
    )


def test_a_column_outside_the_contract_is_refused(profile_path):
    assert "no such column in the contract: gauge" in fault_of(changed(profile_path, "  serial:", "  gauge:"))


def test_a_required_column_nobody_gives_is_refused(profile_path):
    assert "no column and no fixed value for: quantity" in fault_of(
        changed(profile_path, "  quantity: Seen\n", "")
    )


def test_broken_yaml_names_the_line(profile_path):
    assert "profile.yaml, line 4: not readable as YAML" in fault_of(changed(profile_path, "csv, ", "csv, ]"))


def test_the_profile_whose_header_fits_is_found(profile_path):
    profile = read_profile(profile_path)
    headers = {"brackle-log": [*profile.headers, "Remarks"]}
    assert fitting_profile("log.csv", headers, [profile]) is profile


def test_an_unknown_header_says_how_to_draft_a_profile(profile_path):
    with pytest.raises(
        DataFault, match=r"no source profile fits its header \(A, B\).*rigging-removals profile log.csv"
    ):
        fitting_profile("log.csv", {"brackle-log": ["A", "B"]}, [read_profile(profile_path)])


def test_two_profiles_that_fit_are_both_named(profile_path):
    one = read_profile(profile_path)
    two = one.model_copy(update={"source": "twin"})
    headers = {"brackle-log": one.headers, "twin": one.headers}
    with pytest.raises(DataFault, match=r"2 source profiles fit its header \(brackle-log, twin\)"):
        fitting_profile("log.csv", headers, [one, two])


def test_a_draft_is_refused_until_a_person_confirms_it(profile_path):
    profile = read_profile(changed(profile_path, "confirmed: true", "confirmed: false"))
    with pytest.raises(DataFault, match="a draft nobody has confirmed"):
        fitting_profile("log.csv", {"brackle-log": profile.headers}, [profile])
