"""`zoneledger certificates`: an authority and what it signs, right by RFC 5280, and nothing that is there is overwritten unasked."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError
from typer.testing import CliRunner, Result

from zoneledger_cli.authority import AUTHORITY_DAYS, LEAF_DAYS, Pair, Use, Wanted, new_authority, sign
from zoneledger_cli.main import app

CELL, OTHER_CELL = "harbour/wing-1/cell-1", "harbour/wing-1/cell-2"
WHOLE = [
    "--broker",
    "broker.example",
    "--broker",
    "192.0.2.7",
    "--service",
    "web.example",
    "--cell",
    CELL,
    "--reader",
    "dashboard",
]
NAMES = ["ca", "broker", "web", "service", f"cells/{CELL}", "dashboard"]
NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)


def _run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["certificates", str(folder), *arguments])


def _certificate(folder: Path, name: str) -> x509.Certificate:
    return x509.load_pem_x509_certificate((folder / f"{name}.pem").read_bytes())


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with all that the command makes."""
    made = _run(tmp_path / "made", *WHOLE)
    assert made.exit_code == 0, made.output
    assert made.stdout.count("\n") == len(NAMES) + 1
    return tmp_path / "made"


def test_each_certificate_lies_beside_its_key_which_only_its_owner_reads(folder: Path) -> None:
    assert set(_contents(folder)) == {f"{name}.{ending}" for name in NAMES for ending in ("pem", "key")}
    for name in NAMES:
        assert (folder / f"{name}.key").stat().st_mode & 0o777 == 0o600
        pair = Pair.read((folder / f"{name}.pem").read_bytes(), (folder / f"{name}.key").read_bytes())
        assert isinstance(pair.key.curve, ec.SECP256R1)


def test_names_and_hosts_are_those_asked_for(folder: Path) -> None:
    wanted = {name: Wanted.like(_certificate(folder, name)) for name in NAMES[1:]}
    assert wanted == {
        "broker": Wanted("broker", Use.BROKER, ("broker.example", "192.0.2.7", "localhost", "127.0.0.1")),
        "web": Wanted("web", Use.SERVER, ("web.example",)),
        "service": Wanted("service", Use.CLIENT),
        f"cells/{CELL}": Wanted(CELL, Use.CLIENT),
        "dashboard": Wanted("dashboard", Use.CLIENT),
    }


def test_the_authority_signs_and_nothing_that_it_signs_can(folder: Path) -> None:
    for name in NAMES:
        extensions = _certificate(folder, name).extensions
        constraints = extensions.get_extension_for_class(x509.BasicConstraints)
        usage = extensions.get_extension_for_class(x509.KeyUsage)
        assert constraints.critical
        assert usage.critical
        assert constraints.value.ca == usage.value.key_cert_sign == (name == "ca")
        assert usage.value.digital_signature == (name != "ca")
        assert constraints.value.path_length == (0 if name == "ca" else None)


def test_they_last_as_long_as_they_should_and_begin_a_little_earlier(folder: Path) -> None:
    for name in NAMES:
        one = _certificate(folder, name)
        days = AUTHORITY_DAYS if name == "ca" else LEAF_DAYS
        assert one.not_valid_after_utc - one.not_valid_before_utc == timedelta(days=days)
    brief = folder.parent / "brief"
    assert _run(brief, "--broker", "broker.example", "--days", "7").exit_code == 0
    one = _certificate(brief, "broker")
    assert one.not_valid_after_utc - one.not_valid_before_utc == timedelta(days=7)
    assert _run(brief, "--days", "398").exit_code == 2


def test_another_library_verifies_the_chain_by_strict_rules(folder: Path) -> None:
    policy = PolicyBuilder().store(Store([_certificate(folder, "ca")]))
    server = policy.build_server_verifier(x509.DNSName("broker.example"))
    assert len(server.verify(_certificate(folder, "broker"), [])) == 2
    with pytest.raises(VerificationError):
        policy.build_server_verifier(x509.DNSName("other.example")).verify(_certificate(folder, "broker"), [])
    with pytest.raises(VerificationError):
        server.verify(_certificate(folder, "service"), [])
    other = PolicyBuilder().store(Store([new_authority(NOW).certificate]))
    with pytest.raises(VerificationError):
        other.build_server_verifier(x509.DNSName("broker.example")).verify(_certificate(folder, "broker"), [])


def test_nothing_that_is_there_is_overwritten_unasked(folder: Path) -> None:
    before = _contents(folder)
    again = _run(folder, "--cell", OTHER_CELL, "--cell", CELL)
    assert again.exit_code == 1
    assert again.stderr == (
        f"zoneledger: {folder / 'cells' / CELL}.pem: there already, and nothing was written; "
        "--renew makes all that is there anew\n"
    )
    assert _contents(folder) == before


def test_a_later_call_adds_a_cell_that_the_same_authority_signs(folder: Path) -> None:
    before = _contents(folder)
    assert _run(folder, "--cell", OTHER_CELL).exit_code == 0
    after = _contents(folder)
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == {f"cells/{OTHER_CELL}.pem", f"cells/{OTHER_CELL}.key"}
    _certificate(folder, f"cells/{OTHER_CELL}").verify_directly_issued_by(_certificate(folder, "ca"))


def test_renewed_they_are_the_same_but_for_keys_and_time_and_files_stay_in_their_place(folder: Path) -> None:
    before, places = _contents(folder), {path: path.stat().st_ino for path in folder.rglob("*") if path.is_file()}
    like = {name: Wanted.like(_certificate(folder, name)) for name in NAMES[1:]}
    (folder / "broker.key").chmod(0o640)
    assert _run(folder, "--renew", "--days", "30").exit_code == 0
    after = _contents(folder)
    assert {name for name in before if before[name] == after[name]} == {"ca.pem", "ca.key"}
    assert {name: Wanted.like(_certificate(folder, name)) for name in NAMES[1:]} == like
    assert {path: path.stat().st_ino for path in places} == places
    assert (folder / "broker.key").stat().st_mode & 0o777 == 0o640
    for name in NAMES[1:]:
        Pair.read(after[f"{name}.pem"], after[f"{name}.key"])


def test_renewed_with_other_hosts_a_certificate_has_those(folder: Path) -> None:
    assert _run(folder, "--renew", "--broker", "new.example").exit_code == 0
    assert Wanted.like(_certificate(folder, "broker")).hosts == ("new.example", "localhost", "127.0.0.1")
    assert Wanted.like(_certificate(folder, "web")).hosts == ("web.example",)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--cell", "wing-1"], "a cell should be a path such as harbour/wing-1/cell-1, not 'wing-1'"),
        (
            ["--cell", "harbour/wing-1/+"],
            "a cell should be a path such as harbour/wing-1/cell-1, not 'harbour/wing-1/+'",
        ),
        (["--cell", "/".join(["a" * 30] * 3)], "a certificate's name has at most 64 characters, and "),
        (["--reader", "service"], "a reader should be named such as dashboard, and not 'service'"),
        (["--broker", "broker.example:8883"], "a host should be a name or an address, such as broker.example, not "),
        (["--renew"], "there is no authority in "),
    ],
)
def test_what_cannot_be_is_told_in_one_sentence_and_nothing_is_written(
    tmp_path: Path, arguments: list[str], told: str
) -> None:
    ended = _run(tmp_path / "none", *arguments)
    assert ended.exit_code == 1
    assert ended.stderr.startswith(f"zoneledger: {told}")
    assert ended.stderr.count("\n") == 1
    assert not (tmp_path / "none").exists()


def test_without_its_key_an_authority_signs_nothing(folder: Path) -> None:
    (folder / "ca.key").unlink()
    before = _contents(folder)
    ended = _run(folder, "--renew")
    assert (ended.exit_code, ended.stderr) == (
        1,
        f"zoneledger: {folder / 'ca.key'} is not there, and nothing can be signed without it\n",
    )
    assert _contents(folder) == before


def test_a_file_of_somebody_else_is_not_renewed(folder: Path) -> None:
    (folder / "notes.pem").write_text("a letter")
    ended = _run(folder, "--renew")
    assert ended.exit_code == 1
    assert ended.stderr == (
        f"zoneledger: {folder / 'notes.pem'} is no certificate of this command: move it elsewhere\n"
    )


def test_nothing_outlasts_its_authority_and_one_that_has_expired_signs_nothing() -> None:
    authority = new_authority(NOW - timedelta(days=AUTHORITY_DAYS - 10))
    signed = sign(authority, Wanted("service", Use.CLIENT), NOW)
    assert signed.certificate.not_valid_after_utc == authority.certificate.not_valid_after_utc
    with pytest.raises(ValueError, match="the authority expired on 2026-12-05: make a new one in another folder"):
        sign(authority, Wanted("service", Use.CLIENT), NOW + timedelta(days=11))
