"""Candidates for lines of text: ascii-line, and ascii-poll where something was asked."""

from collections.abc import Iterator, Mapping

from daemon.recognise.proposal import Candidate, Doubt
from daemon.recognise.sample import Sample
from daemon.recognise.text_content import Content, read_contents
from daemon.recognise.text_cut import cuts, most_common
from daemon.recognise.text_wrap import Wrapped, wrappings


def text_candidates(sample: Sample) -> Iterator[Candidate]:
    """Yield every description of the sample as frames of text."""
    asked = _request_options(sample)
    if asked is None:
        return
    for cut in cuts(sample):
        for wrapped in wrappings(cut):
            for content in read_contents(wrapped.contents):
                yield _candidate(asked, wrapped, content)


def _request_options(sample: Sample) -> Mapping[str, object] | None:
    """Return the option ``request``, empty where nothing was asked; None if it is no text."""
    requests = list(dict.fromkeys(turn.request for turn in sample.turns if turn.answer))
    if not requests:
        return {} if not sample.is_polled else None
    if not all(request.isascii() for request in requests):
        return None
    texts = [request.decode("ascii") for request in requests]
    if len(texts) == 1:
        return {"request": texts[0]}
    return {"request": {str(number): text for number, text in enumerate(texts, start=1)}}


def _candidate(asked: Mapping[str, object], wrapped: Wrapped, content: Content) -> Candidate:
    options = {**asked, **content.options, **wrapped.options}
    doubts = [*wrapped.doubts, *content.doubts]
    if content.is_padded and "length" not in options and not asked:
        options |= _length_of(wrapped)
    if isinstance(options.get("request"), dict):
        doubts.append(Doubt("request", "the channels' names are invented; name them yourself"))
    driver = "ascii-poll" if asked else "ascii-line"
    return Candidate(driver, options, content.merit + wrapped.merit, tuple(doubts))


def _length_of(wrapped: Wrapped) -> Mapping[str, object]:
    """Return the frame's length where blanks fill it up: it shows a lost character."""
    content = most_common(len(content) for content in wrapped.contents)
    if content is None:
        return {}
    return {"length": content + wrapped.around_bytes}
