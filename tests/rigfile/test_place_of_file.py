"""Where a file lies that the rig file names."""

from pathlib import Path

import pytest

from longsoak.rigfile.filesaway import files_away
from longsoak.rigfile.placeoffile import place_of
from longsoak.service.makeroutes import secret
from longsoak.vocabulary.errors import NoticeError

RIG = '[heartbeat]\nurl_file = "credential:beat"\n[notices.mail]\npassword_file = "secret"\n'


def test_a_path_counts_from_the_rig_file(tmp_path: Path) -> None:
    assert place_of("secrets/mail", beside=tmp_path) == tmp_path / "secrets" / "mail"
    assert place_of("/etc/longsoak/mail", beside=tmp_path) == Path("/etc/longsoak/mail")


def test_a_credential_is_read_where_the_service_manager_put_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = tmp_path / "given"
    given.mkdir()
    (given / "mail").write_text("opensesame\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(given))
    assert secret(tmp_path, "credential:mail", NoticeError) == "opensesame"


def test_a_credential_that_was_not_given_is_told_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(NoticeError) as told:
        secret(tmp_path, "credential:mail", NoticeError)
    assert str(told.value) == (
        "the secret in $CREDENTIALS_DIRECTORY/mail can't be read: No such file or directory"
    )


def test_the_check_of_a_rig_file_says_how_a_credential_is_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    assert files_away(RIG, beside=tmp_path) == [
        "url_file of [heartbeat] names the credential 'beat', which was not given to this command. "
        "`longsoak run` has it if its unit says LoadCredential=beat:FILE; until then nothing goes "
        "that way.",
        f"password_file of [notices.mail] names {tmp_path / 'secret'}, which can't be read: No "
        "such file or directory. Nothing goes that way until `longsoak run` can read it: put it "
        "there, or write its path.",
    ]
    (tmp_path / "secret").touch()
    (tmp_path / "beat").touch()
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert files_away(RIG, beside=tmp_path) == []
