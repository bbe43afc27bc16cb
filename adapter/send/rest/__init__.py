"""A FHIR R4 server as a receiver (RESTful API, http.html): its client, and how one exam is sent to it once.

In the order of an exam's way: ``transaction`` (an exam as a Bundle and the names in it) · ``transport`` (what the
outbox and the sender ask) · ``delivery`` (one exam, once) · ``versions`` (is the server's newer?), ``lookup`` (what
does it hold?), ``compare``, ``changes`` (what is left to do?) · ``capability``, ``client``, ``auth``. ``preview``
looks the same up without writing; ``fetch`` reads exams back.
"""
