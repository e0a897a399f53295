"""A mail server that keeps what it is given, by aiosmtpd: mailbox.py PORT OUT USER PASSWORD CERTIFICATE KEY starttls|tls

It takes mail only through TLS and after a login, and none for nobody@. What came is written down, one JSON object a line, as
Python's own email package reads it.
"""

import email
import email.policy
import json
import ssl
import sys
import threading

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

port, out, user, password, certificate, key, kind = sys.argv[1:8]
context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(certificate, key)


def known(_server, _session, _envelope, _mechanism, data):
    right = isinstance(data, LoginPassword) and (data.login, data.password) == (user.encode(), password.encode())
    return AuthResult(success=right, handled=right)


class Keeper:
    async def handle_RCPT(self, _server, _session, envelope, address, _options):
        if address.startswith("nobody@"):
            return "550 there is nobody"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, _session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        came = {
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "subject": mail["subject"],
            "id": mail["message-id"],
            "auto": mail["auto-submitted"],
            "text": mail.get_body().get_content(),
            "defects": [repr(defect) for defect in mail.defects],
            "encrypted": server.transport.get_extra_info("ssl_object") is not None,
        }
        with open(out, "a", encoding="utf-8") as file:
            file.write(json.dumps(came) + "\n")
        return "250 kept"


settings = {"hostname": "127.0.0.1", "port": int(port), "authenticator": known, "auth_required": True}
if kind == "starttls":
    Controller(Keeper(), tls_context=context, require_starttls=True, **settings).start()
else:
    Controller(Keeper(), ssl_context=context, auth_require_tls=False, **settings).start()
threading.Event().wait()
