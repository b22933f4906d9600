from tests.store.made import DAY, HOUR, NOW
from watcher.store.database import Store
from watcher.store.signing import KEY_LIVES, KEY_SERVES


def test_a_key_serves_its_time_and_then_a_new_one_signs_while_the_old_still_checks(
    store: Store,
) -> None:
    with store.transaction() as tx:
        first = tx.key_to_sign(NOW, b"one")
        assert (first.secret, tx.key_to_sign(NOW + DAY, b"two").secret) == (b"one", b"one")
        later = NOW + KEY_SERVES + DAY
        second = tx.key_to_sign(later, b"two")
        assert second.secret == b"two"
        assert tx.signing_keys(later) == (second, first)
        assert tx.signing_keys(NOW + KEY_LIVES + HOUR) == (second,)


def test_dropping_the_old_keys_leaves_the_newest(store: Store) -> None:
    with store.transaction() as tx:
        tx.add_key(NOW, b"one")
        tx.add_key(NOW, b"two")
        tx.drop_old_keys()
        assert [key.secret for key in tx.signing_keys(NOW)] == [b"two"]


def test_a_form_is_taken_once(store: Store) -> None:
    with store.transaction() as tx:
        assert tx.use_ticket("t", NOW)
        assert not tx.use_ticket("t", NOW + HOUR)
        assert tx.use_ticket("u", NOW + HOUR)
        tx.give_back_ticket("t")
        assert tx.use_ticket("t", NOW + HOUR)
