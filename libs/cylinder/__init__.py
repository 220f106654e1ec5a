"""The life of a cylinder and of its visit to a shop.

Owns the kinds of facts, the commands, the decision and the standing. Must never read a clock, make a
random id, touch a disk or know in which envelope a fact travels.
"""
