"""What an entry about the specimen holds beside its words, in one sentence. Pure."""

from dataclasses import replace

from longsoak.core.newholes import new_holes, offset_words
from longsoak.core.phases import begins_words
from longsoak.core.samples import sample_words, samples
from longsoak.core.weighings import weighing_words, weighings
from longsoak.core.wettrades import trade_words, wet_trades
from longsoak.core.wording import time_words
from longsoak.vocabulary.logbook import (
    CLOSING,
    NEW_HOLE,
    PHASE,
    SAMPLE,
    WEIGHING,
    WET_TRADE,
    LogbookEntry,
)


def content_words(entry: LogbookEntry) -> str:
    """The sentence, also of an entry that was corrected; empty for a kind that needs none."""
    entry = replace(entry, corrected_by=())
    if entry.kind == PHASE:
        says = begins_words(entry)
    elif entry.kind == WET_TRADE:
        (trade,) = wet_trades([entry])
        says = f"{trade_words(trade)}; it settles until {time_words(trade.until_ms)}"
    elif entry.kind == NEW_HOLE:
        (hole,) = new_holes([entry])
        says = f"a new series begins: {offset_words(hole)}"
    elif entry.kind == WEIGHING:
        (weighed,) = weighings([entry])
        says = weighing_words(weighed)
    elif entry.kind == SAMPLE:
        (sample,) = samples([entry])
        says = sample_words(sample)
    elif entry.kind == CLOSING:
        content = entry.content
        says = f"{content['item']}: {'done' if content['done'] else 'not done'}, {content['name']}"
    else:
        return ""
    return f"{says[:1].upper()}{says[1:]}."
