"""The text of every file in force, as the record keeps it by its hash."""

from daemon.config import Config


def file_texts(config: Config) -> list[tuple[str, str, str, str]]:
    """Return hash, kind, name and text of every file in force."""
    source = config.source
    bench_file = (source.sha256, "bench", source.path.name, source.text)
    rule_files = [
        (one.rules.grading.sha256, "rules", one.rules_path.name, one.rules_text)
        for one in config.benches
    ]
    return [bench_file, *rule_files]
