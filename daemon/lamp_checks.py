"""Topics of dumb lamps: each a lamp's own, and none of ours."""

from daemon.toml_file import Faults, Raw, table, tables


def check_lamps(raw: Raw, faults: Faults) -> None:
    """Note every lamp's topic that is used twice or lies below the root of our own."""
    root = table(raw, "mqtt").get("root", "reclamp")
    first: dict[str, str] = {}
    for number, bench in tables(raw, "bench"):
        for place, one in tables(bench, "bin"):
            topic, key = one.get("lamp_topic"), f"bench.{number}.bin.{place}.lamp_topic"
            if not isinstance(topic, str):
                continue
            if topic == root or topic.startswith(f"{root}/"):
                text = (
                    f"got {topic!r}; accepted is a topic that is not below {root!r}, mqtt.root"
                )
                faults.add(key, text)
            elif topic in first:
                faults.add(key, f"{topic!r} is used by {first[topic]} as well")
            first.setdefault(topic, key)
