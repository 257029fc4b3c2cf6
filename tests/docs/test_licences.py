"""The page on licences names all that an installation consists of, and the lock of it says the same as that of all."""

import re

from packaging.utils import canonicalize_name

from tests.docs.licences import locked
from tests.docs.pages import read, rows, section

PAGE = read("docs/licences.md")
LISTED = {canonicalize_name(row[0]): row for row in rows(section(PAGE, "What an installation consists of"))}


def test_every_package_of_an_installation_is_listed_with_its_version_and_a_licence() -> None:
    for one in locked():
        if one.marker is None or one.marker.evaluate({"python_full_version": "3.11.7", "sys_platform": "linux"}):
            _, version, licence = LISTED[canonicalize_name(one.name)]
            assert str(one.specifier) == f"=={version}", one.name
            assert re.search("[A-Z]", licence), one.name
            assert "UNKNOWN" not in licence, one.name


def test_what_only_another_platform_has_is_named() -> None:
    elsewhere = [one for one in locked() if canonicalize_name(one.name) not in LISTED]
    assert [one.name for one in elsewhere if f"{one.name} {str(one.specifier).removeprefix('==')}" not in PAGE] == []


def test_what_an_installation_consists_of_is_tested_in_the_same_versions() -> None:
    tested = {str(one) for one in locked("requirements.lock")}
    assert [str(one) for one in locked() if str(one) not in tested] == []
