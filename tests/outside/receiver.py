"""A receiver of webhooks: answers as it is told to and writes down what came, one JSON object a line.

receiver.py PORT KEY_FILE OUT ANSWERS [CERTIFICATE KEY]

ANSWERS are statuses in order, the last one for all that come later: 500,slow,204 answers 500, then nothing for a long time,
then 204. What a signature says is judged by the library http-message-signatures (RFC 9421) and, for the body, by hashlib.
"""

import base64
import hashlib
import json
import ssl
import sys
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from types import SimpleNamespace

from http_message_signatures import HTTPMessageVerifier, HTTPSignatureKeyResolver, algorithms

port, key_file, out, answers = sys.argv[1:5]
answers = answers.split(",")
shared = open(key_file, encoding="utf-8").readline().strip()
COVERED = ("@method", "@authority", "@path", "content-type", "content-digest", "idempotency-key")


class Key(HTTPSignatureKeyResolver):
    def resolve_public_key(self, key_id):
        assert key_id == "desk", key_id
        return shared.encode()

    resolve_private_key = resolve_public_key


def judged(request, body):
    """None, or what is wrong with the signature."""
    digest = "sha-256=:" + base64.b64encode(hashlib.sha256(body).digest()).decode() + ":"
    if request.headers.get("content-digest") != digest:
        return "the digest is not that of the body"
    scheme = "https" if len(sys.argv) > 5 else "http"
    url = f"{scheme}://{request.headers['host']}{request.path}"
    message = SimpleNamespace(method=request.command, url=url, headers=dict(request.headers.items()))
    verifier = HTTPMessageVerifier(signature_algorithm=algorithms.HMAC_SHA256, key_resolver=Key())
    try:
        verifier.verify(message, require_components=tuple(f'"{name}"' for name in COVERED), body=body)
    except Exception as error:
        return repr(error)
    return None


class Receiver(BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        answer = answers.pop(0) if len(answers) > 1 else answers[0]
        came = {
            "answer": answer,
            "key": self.headers["idempotency-key"],
            "event": json.loads(body),
            "type": self.headers["content-type"],
            "wrong": judged(self, body),
        }
        with open(out, "a", encoding="utf-8") as file:
            file.write(json.dumps(came) + "\n")
        if answer == "slow":
            time.sleep(4)
            self.close_connection = True
            return
        self.send_response(int(answer))
        self.send_header("content-length", "0")
        if answer == "429":
            self.send_header("retry-after", "3")
        self.end_headers()

    def log_message(self, *_):
        pass


server = HTTPServer(("127.0.0.1", int(port)), Receiver)
if len(sys.argv) > 5:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(sys.argv[5], sys.argv[6])
    server.socket = context.wrap_socket(server.socket, server_side=True)
server.serve_forever()
