"""What to do with a worn device, from an inspection and what was read of it.

A sign of swelling, heat, smell, leak or force outranks every number; what nobody looked
at is a demand, never a comfort.
"""
