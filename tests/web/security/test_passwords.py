"""Passwords are argon2id with the cost that was chosen, and guessable ones are refused."""

import pytest

from kerfmark.errors import InputError
from kerfmark.web.security import passwords


def test_a_password_is_kept_as_argon2id_with_nineteen_mebibytes_and_two_passes():
    # Source of the numbers: decision 13 and the OWASP cheat sheet [from memory]. The hash itself says what it was made with.
    passwords_as_served = passwords.PasswordHash(
        (passwords.Argon2Hasher(time_cost=2, memory_cost=19 * 1024, parallelism=1),)
    )
    assert passwords_as_served.hash("four plain words here").startswith("$argon2id$v=19$m=19456,t=2,p=1$")


def test_the_right_password_opens_and_no_other():
    kept = passwords.hashed("four plain words here")
    assert passwords.is_password("four plain words here", kept)
    assert not passwords.is_password("four plain words her", kept)
    assert not passwords.is_password("four plain words here", None)


@pytest.mark.parametrize("password", ["short", "x" * 11, "ruth-adeyemi-1", "aaaaaaaaaaaaaaa", "y" * 2000])
def test_a_password_that_can_be_guessed_is_refused_with_a_reason(password):
    with pytest.raises(InputError, match=r"^password: .*expected"):
        passwords.check_password(password, name="ruth")
