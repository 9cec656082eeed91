"""Ferments of a mechanism that no part of carboyd was made from: how verdicts hold on what is in no training.

Held out: nothing may be taught, tuned or chosen on these ferments, and nothing in `monitor` imports this
package.

From `monitor.replay` it has how a course is marked, and the float and the maker beside it; kinetics, musts,
rooms, shares of what befalls them and tails are its own. Close to those of `replay.course`, and not to be
called independent of it: a finish after 4 to 40 days, how long a recording goes on after a finish, a stall or
a sweetening, and when a must is sweetened and stabilised after its end.
"""
