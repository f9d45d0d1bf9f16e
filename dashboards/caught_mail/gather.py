"""The caught mails: their list, and one of them."""

from __future__ import annotations

from dashboards.caught_mail.context import MailPage, MailRow, MailsPage
from dashboards.services import CaughtMail
from dashboards.shell.problems import AnswerError
from dashboards.visit import Visit


def mails_page(visit: Visit) -> MailsPage:
    """Gather the caught mails, newest first."""
    rows = tuple(_mail(visit, mail) for mail in sorted(visit.services.mails(), key=lambda mail: -mail.number))
    return MailsPage(visit.shell("Caught mail", "/mails"), rows)


def mail_page(visit: Visit, number: int) -> MailPage:
    """Gather one caught mail.  Raises AnswerError (404)."""
    mail = caught(visit, number)
    return MailPage(
        shell=visit.shell(mail.subject, "/mails"),
        mail=_mail(visit, mail),
        sender=mail.sender,
        text=mail.text,
        html_address=f"/mails/{number}/html" if mail.html is not None else "",
    )


def caught(visit: Visit, number: int) -> CaughtMail:
    """Give a caught mail by its number.  Raises AnswerError (404)."""
    found = next((mail for mail in visit.services.mails() if mail.number == number), None)
    if found is None:
        raise AnswerError(404, f"There is no caught mail number {number}.", where="mails")
    return found


def _mail(visit: Visit, mail: CaughtMail) -> MailRow:
    return MailRow(visit.link(f"/mails/{mail.number}"), mail.subject, mail.recipient, visit.full_instant(mail.at_ms))
