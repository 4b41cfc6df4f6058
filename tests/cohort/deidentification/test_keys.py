"""Keys that are safe, and those that are refused."""

import os
import secrets

import pytest

from analysis.cohort.deidentification.keys import can_be_guessed, read_key
from analysis.errors import DeidentificationError

GOOD = "91b1e9a57a2b4fd3a86a4a35f0b35e1c"


@pytest.mark.parametrize(
    "key",
    [b"", b"short", b"correct horse battery staple again", b"0" * 64, b"0123456789abcdef" * 4, bytes(range(32)).hex().encode(),
     b"00112233445566778899aabbccddeeff"],
)  # fmt: skip
def test_keys_that_can_be_guessed(key):
    assert can_be_guessed(key)


def test_random_keys_are_not_among_them():
    assert not any(can_be_guessed(secrets.token_hex(size).encode()) for size in (32, 64) for _ in range(200))


@pytest.mark.parametrize("where", ["data/key", "key", "out/key", "data/deep/key"])
def test_a_key_in_or_beside_the_data_is_refused(tmp_path, where):
    (tmp_path / "data").mkdir()
    with pytest.raises(DeidentificationError, match="The key lies with the data"):
        read_key(tmp_path / where, tmp_path / "data", tmp_path / "out")
    assert list((tmp_path / "data").iterdir()) == []


@pytest.mark.parametrize(
    "where", ["study/key", "study/keys/key", "study/keys/deep/key", "key", "written/key", "written/out/a/key"]
)
def test_a_key_that_travels_with_a_file_or_with_what_is_written_is_refused(tmp_path, where):
    file = tmp_path / "study" / "clinic.csv"
    file.parent.mkdir()
    file.write_text("a\n")
    with pytest.raises(DeidentificationError, match="The key lies with the data"):
        read_key(tmp_path / where, file, tmp_path / "written" / "out")
    assert not (tmp_path / where).exists()


def test_a_key_in_a_folder_of_its_own_is_made(tmp_path):
    (tmp_path / "study").mkdir()
    assert len(read_key(tmp_path / "keys" / "key", tmp_path / "study", tmp_path / "written")) == 64


@pytest.mark.skipif(os.name != "posix", reason="the system has no modes of files")
@pytest.mark.parametrize("mode", [0o644, 0o640, 0o606])
def test_a_key_that_others_may_read_is_refused(tmp_path, mode):
    (tmp_path / "data").mkdir()
    key = tmp_path / "keys" / "key"
    key.parent.mkdir()
    key.write_text(GOOD, encoding="ascii")
    key.chmod(mode)
    with pytest.raises(DeidentificationError, match="Others may read the key file"):
        read_key(key, tmp_path / "data", tmp_path / "out")
    key.chmod(0o600)
    assert read_key(key, tmp_path / "data", tmp_path / "out") == GOOD.encode()
