"""Runs in the guest: sets the pretended chip's register and tells the kernel that it is there."""

from kernel import stub

LM75, TWENTY_ONE_AND_A_HALF = 0x48, 0x1580

if __name__ == "__main__":
    number = stub.bus("SMBus stub")
    stub.set_register(number, LM75, TWENTY_ONE_AND_A_HALF)
    stub.announce(number, LM75, "lm75")
