"""What a person is asked to do at a channel, and how long they are waited for."""

from longsoak.vocabulary.proof import Step
from longsoak.vocabulary.rig import Kind

LEADS = 3  # readings of a pair whose leads are open, bridged or on a resistor
SETTLED = 5  # readings of a level after a pour
TOUCH_TIME = 30.0  # s a touch or a raised float is waited for
AFTER_TOUCH = 1.5  # s more, so that what moves along is seen too
ELSEWHERE = 3.0  # s the channel that was asked for may move later than another

HANDS = {
    Step.READS: "Leave everything alone",
    Step.OPEN: "Connect the leads and leave their far ends open, pins not driven or plug pulled",
    Step.SHORT: "Bridge the far ends of the leads with a wire",
    Step.RESISTOR: "Put a known resistor across the far ends of the leads",
    Step.FLOAT: "Let the float hang; you will be told when to raise it",
    Step.POUR: "Have a can with a litre mark ready",
    Step.CARD: "Have the installation notes ready",
    Step.SAFETY: "Go and look",
}
TOUCH = {
    Kind.PINS: "bridge its pins with a wet finger or a damp cloth",
    Kind.HUMIDITY: "breathe on it",
    Kind.TEMPERATURE: "hold it in your hand",
}
