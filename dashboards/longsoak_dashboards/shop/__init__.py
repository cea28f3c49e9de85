"""The pages of a whole shop: all rigs that publish to one broker."""
