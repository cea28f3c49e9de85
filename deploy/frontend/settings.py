"""What is wired where, and with which parts. The only file to change for a front end of your own.

WIRING.md beside it draws the circuit these numbers belong to.
"""

# --- GPIO numbers --------------------------------------------------------------------------------
PAIR_ADDRESS = (2, 3, 4, 5)  # lowest bit first; shared by all pair multiplexers
BANKS = (6, 7)  # enable of each bank of 16 pairs, low is on
RANGE_ADDRESS = (8, 9, 10)  # lowest bit first; of the range multiplexer
RANGE_ENABLE = 11  # low is on
DRIVE = 12  # through SERIES to one electrode of the pair
RETURN = 13  # to the far ends of the range resistors
SENSE = 26  # an ADC input, behind the buffer
PROMPT = 15  # to ground at power-up: MicroPython's prompt instead of measuring

# --- parts ---------------------------------------------------------------------------------------
SUPPLY = 3.3  # V, of the drive lines and of the ADC's reference: one and the same rail
RANGES = (10e3, 100e3, 1e6, 10e6, 100e6)  # Ohm, rising, with the closed switch
SERIES = 1200.0  # Ohm: protective resistor, two closed switches and the drive line's own
REFERENCE = 1e6  # Ohm, as measured: the resistor on the reference channel
MOST = 5e9  # Ohm: beyond it a resistance can't be told from an open circuit

# --- channels: name, then bank and address -------------------------------------------------------
CHANNELS = {
    "REF": (0, 13),
    "OPEN": (0, 14),
    "SHORT": (0, 15),
}
for _number in range(24):
    CHANNELS[f"P{_number + 1}"] = (_number // 12, _number % 12)

# --- times, ms -----------------------------------------------------------------------------------
SETTLE = (10, 10, 20, 80, 700)  # at each range: 7 times its resistor times 1 nF of cable, and more
DISCARD = 8  # samples thrown away after that
SAMPLES = 100  # then averaged, in two halves that must agree
EVERY = 2  # between samples: each half lasts 5 periods of 50 Hz mains and 6 of 60 Hz
PATIENCE = 2500  # with a range that doesn't settle: after it no slower try is begun
DISCHARGE = 20  # both ends of a pair at 0 V before it is let go
CHECK_AGE = 120_000  # the check channels are taken again before a pair if they are older than this
