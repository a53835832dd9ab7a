"""The return path: a capture of the wire checked against the plan.

`planned` says which frames pass a port and in which bounds, `readers` read a file piece by piece, `frames`
make frames of levels or edges, `course` finds the place in the plan, `follow` walks along it. A capture is
never held in memory as a whole. Nothing here knows a screen.
"""
