"""Source profiles kept in a folder: those of the user beside those that come with the project."""

from pipelines.sources import known_profiles, profiles_at
from tests.conftest import PROFILE
from tests.refusals import fault_of


def test_a_folder_adds_its_profiles_to_those_that_come_with_the_project(profile_path, tmp_path):
    shipped = [profile.source for profile in known_profiles()]
    assert [profile.source for profile in profiles_at(None)] == shipped
    assert [profile.source for profile in profiles_at(profile_path)] == ["brackle-log"]
    assert [profile.source for profile in profiles_at(tmp_path)] == [*shipped, "brackle-log"]


def test_a_profile_of_the_folder_takes_the_place_of_one_of_the_same_source(tmp_path):
    shipped = known_profiles()[0]
    text = PROFILE.replace("brackle-log", shipped.source)
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    found = [profile for profile in profiles_at(tmp_path) if profile.source == shipped.source]
    assert [profile.describes for profile in found] == ["A log of the tests' own."]


def test_two_files_of_one_source_are_refused(profile_path, tmp_path):
    (tmp_path / "again.yaml").write_text(PROFILE, encoding="utf-8")
    assert fault_of(profiles_at, tmp_path) == (
        f"{tmp_path} holds two source profiles with source: brackle-log, one of them {profile_path.name}. Rename or remove"
        " one."
    )
