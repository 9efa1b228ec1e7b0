"""What a school does with pieces, from the roster to the appeal: every flow checks rights and writes the audit log itself.

A flow takes the open store and the actor first; what it returns holds only what that actor may see. Pages, the API and the shell
all go through these.
"""
