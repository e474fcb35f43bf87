"""What a test needs from the machine: skipped at a desk, refused under CI."""

import pytest


def test_a_missing_program_skips_at_a_desk(need_program, monkeypatch):
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception):
        need_program("no-such-program-anywhere")


def test_a_missing_program_fails_under_ci(need_program, monkeypatch):
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception):
        need_program("no-such-program-anywhere")


def test_a_missing_package_fails_under_ci(need_package, monkeypatch):
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception):
        need_package("no_such_package_anywhere")


def test_what_is_there_is_given(need_program, need_package):
    assert need_program("sh").endswith("/sh")
    need_package("numpy")
