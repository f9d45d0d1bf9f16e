"""The demonstration: an invented site with three simulated rooms, its past, and a catcher for its mail.

Nothing in it is real: no place, no person, no measurement. `places` says what there is, `troubles` what befalls it,
`history` writes its past, `folder` remembers between runs, `mails` catches, `show` puts everything together.
"""
