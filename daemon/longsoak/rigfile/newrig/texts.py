"""Comments and parts left to fill in of a new rig file."""

from collections.abc import Mapping

from longsoak.rigfile.newrig.answers import Role

SCHEMA_FILE = "rig.schema.json"  # beside the rig file, for editors
CHECK = "# made up: put in your own"

HEAD = """\
# A rig file. Lengths are in mm, times in s, resistances in Ohm. Depth counts from the wet face,
# height from the specimen's underside, across from its left edge as seen from the wet face.
# Lines that begin with # are comments; parts that you may want stand there ready to be used.
# The first line is for editors: it names a description of all that may stand here.
# `longsoak check` tells what is wrong in this file, with its line and how to mend it.\
"""
BETWEEN = "# One word for each boundary between two bays, from left to right."
NO_CONTROL = """\
# No bay is the control yet. A sceptic will ask what an unwetted specimen of the same build did
# meanwhile in the same room: build one as a bay of its own, and never wet it.\
"""
DISH = """\
# The specimen's foot stands in a dish of water on purpose. That dish is no [reservoir]: a reservoir
# is water that must not touch the specimen, and its alarms would stand all the time. Keep the dish
# full by an overflow that runs back, or by hand to a mark.\
"""
WATER = """\
# The reservoir, and how high its water may stand. The cut-outs against overfilling and running dry
# are wired, not left to a program; mains near water is work for a licensed electrician, to the
# local code. Once you have filled it by the can, replace `blocks` by a depth_table.\
"""
NO_WATER = """\
# [reservoir]
# name = "catch tray"
# level = "water level"    # a probe of kind "level"
# float = "high float"     # a probe of kind "float"
# blocks = []
# length = 1200
# breadth = 340
# rim = 150
# stop = 100
# pump_needs = 25\
"""
PROBES = """\
# The probes. An address says where on its bus a probe is; those marked as made up are right in form
# only. Leave `every` out: pins are then read every 15 minutes, air once a minute, the level every
# 5 seconds. `longsoak prove` then shows whether each is the one it claims to be.\
"""
POSITIONS: Mapping[Role, str] = {
    Role.PINS: "Pairs of pins. Choose the curve by the wood they sit in: longsoak curves.",
    Role.TEMPERATURE: "A thermometer in each bay, by which its pins are corrected.",
    Role.AIR: "Humidity and temperature of the air.",
    Role.LEVEL: "The water level: mm = zero + per_unit * raw; find both with a rule in the water.",
    Role.FLOAT: "A float that stands above the stop: it is there for when the level is wrong.",
}
SCALE = """\
# A scale under the specimen tells how much water it holds; without one, `longsoak weigh` keeps what
# you weigh by hand. It needs a bus of its own.
# [[probes]]
# name = "scale"
# kind = "scale"
# weighs = "specimen"
# bus = "scale"
# address = { device = 1, input = 0 }\
"""
AT_MOST = "# at_most = 20    # %; a figure for timber by common practice: choose your own"
RISES = """\
# above = "own baseline"
# at_most = 3     # %, of what it rises: choose your own\
"""
LIMIT = """\
# A limit is declared before a wetting begins, so that nobody can move it once the readings are in.
# [[limits]]
# name = "it stays dry"
# quantity = {quantity}
{bound}
# layer = {layer}
# phases = ["wetting"]
# source = "own choice, before the first wetting"\
"""
OWN_ALARM = """\
# Alarms have sensible settings without a word here; this is how one is changed.
# [[alarms]]
# watch = "room too humid"
# setpoint = 80\
"""
NOTICES = """\
# Who is told of alarms. Passwords are never in this file: it names the file that holds one.\
"""
NOTICES_NONE = """\
# Who is told of alarms. Nobody yet: pages and `longsoak now` show them. Passwords are never in this
# file: it names the file that holds one.
# [notices.mail]
# host = "localhost"
# port = 25
# from = "rig@example.org"
# to = ["keeper@example.org"]
# user = "rig"
# password_file = "mail-password"
#
# [notices.mqtt]
# host = "localhost"
# prefix = "longsoak/my-rig"\
"""
BACKUP = """\
# A copy of the record once a day. Keep one copy away from the rig.
# [backup]
# to = "/media/stick"
# mounted = true\
"""
