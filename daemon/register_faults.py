"""Where bench file and register of instruments contradict each other."""

from daemon.config import Config
from daemon.errors import StoreError
from daemon.store.instruments import register_of
from daemon.store.read_only import reading_only


def register_faults(config: Config) -> tuple[str, ...]:
    """Return a line for each master that can prove nothing as file and register have it.

    Nothing while there is no record that can be read: then nobody entered an instrument yet.
    """
    if not config.store_path.is_file():
        return ()
    try:
        with reading_only(config.store_path) as db:
            register = register_of(db)
    except StoreError:
        return ()  # told with the warnings
    return tuple(
        text
        for one in config.benches
        if (check := one.measuring_with(register).rules.check) is not None
        for text in check.unproved.values()
    )
