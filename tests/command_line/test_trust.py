"""``kneecurve repeat`` shows what it is about to trust, and without a word runs nothing that is not the kit's."""

from ..report.running.foreign_record import NOBODY, write_record


def test_the_command_shows_what_it_is_about_to_trust(tmp_path, kneecurve):
    named = tmp_path / "own.ipynb"
    named.write_text("{}")
    (tmp_path / "downloads").mkdir()
    file = write_record(tmp_path / "downloads" / "r.json", "own", "../own.ipynb")
    refused = kneecurve("repeat", file)
    assert (refused.code, "names a notebook outside its own folder" in refused.err) == (1, True)
    refused = kneecurve("repeat", file, "--notebook", named)
    assert (refused.code, "add --trust" in refused.err) == (1, True)
    trusted = kneecurve("repeat", file, "--notebook", named, "--trust")
    assert str(named) in trusted.err
    assert f"the record says {NOBODY}" in trusted.err
    assert "The cohort folder is not where the record says" in trusted.err
