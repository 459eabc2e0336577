"""The clauses that checks give evidence for: what each asks, in our own words. Layer: core, pure, data only.

An id is the publication and the clause in it: ``PCI DSS 4.0.1 1.4.3``, ``45 CFR 164.312(b)`` (the HIPAA Security Rule's
technical safeguards), ``NIST SP 800-53 AC-4`` (revision 5). The titles are short paraphrases, no quotations: whoever
assesses goes by the publications themselves. PCI DSS 8.4, 8.5, 10.3 and 10.7 and all of NIST's are from memory.

Evidence for a clause is not fulfilment of it: many ask for policies, reviews and people, which no bench can show.
"""

from __future__ import annotations

from collections.abc import Iterable

PCI, HIPAA, NIST = "PCI DSS 4.0.1", "45 CFR", "NIST SP 800-53"

_PCI = {
    "1.2.1": "Rule sets of network security controls are as their standard says",
    "1.2.5": "Services, protocols and ports that are allowed are known and needed",
    "1.2.6": "Insecure services that are in use are made safe",
    "1.2.8": "The configuration in force is the one that was meant",
    "1.3.1": "Into the card data environment goes only what is necessary",
    "1.3.2": "Out of the card data environment goes only what is necessary",
    "1.3.3": "Wireless and other open networks are kept apart from the card data environment",
    "1.4.1": "A control stands between trusted and untrusted networks",
    "1.4.2": "From untrusted networks only what is meant for them, or an answer, comes in",
    "1.4.3": "Forged source addresses are found and stopped",
    "1.4.4": "Systems that store card data are not reachable from untrusted networks",
    "1.4.5": "Internal addresses are shown to those only who may know them",
    "2.2.2": "Default accounts are changed, or gone",
    "2.2.4": "Only necessary services and functions are on",
    "2.2.5": "Insecure services that are needed are made safe",
    "2.2.6": "Security settings are such that they cannot be misused",
    "2.2.7": "Administration over a network is encrypted",
    "2.3.1": "Defaults of wireless equipment are changed",
    "4.2.1": "Card data over open networks is protected by strong cryptography",
    "7.2.1": "Access follows need and function",
    "8.2.1": "Each user has an id of his own",
    "8.3.1": "Each access is authenticated by at least one factor",
    "8.3.2": "Factors are unreadable when sent and stored",
    "8.3.4": "Failed log-ins lock out: after 10 at most, for 30 minutes at least",
    "8.3.5": "First passwords are unique and changed at first use",
    "8.3.6": "Passwords have 12 characters at least, letters and digits",
    "8.3.7": "None of the last four passwords is taken again",
    "8.4.1": "Administrators sign in with more than one factor",
    "8.4.2": "Everybody signs in to the card data environment with more than one factor",
    "8.4.3": "Access from outside takes more than one factor",
    "8.5.1": "Sign-in with several factors cannot be replayed or bypassed",
    "10.2.1": "Audit logs are on",
    "10.2.1.2": "What administrators do is logged",
    "10.2.1.4": "Failed attempts to get in are logged",
    "10.2.1.5": "Changes of accounts and credentials are logged",
    "10.2.1.6": "Starting, stopping and pausing of logs is logged",
    "10.2.1.7": "Making and deleting of system objects is logged",
    "10.2.2": "Each record says who, what, when, from where, to what, and with what outcome",
    "10.3.2": "Logs cannot be changed",
    "10.3.3": "Logs are soon on a central server",
    "10.4.1": "Security events are looked at daily",
    "10.6.1": "Clocks are synchronised",
    "10.6.2": "Systems have the right and consistent time",
    "10.7.2": "A control that fails is noticed, told and dealt with",
    "11.4.5": "Segmentation is tested, and works",
    "11.5.1": "Intrusions are detected, or prevented, and told",
}
_HIPAA = {
    "(a)(1)": "Access control: only persons and programs with rights get in",
    "(a)(2)(i)": "Each user is identified uniquely",
    "(a)(2)(iii)": "Sessions end by themselves",
    "(a)(2)(iv)": "Health data is encrypted and decrypted",
    "(b)": "Audit controls: activity is recorded and can be examined",
    "(c)(1)": "Integrity: data is protected from wrong change and loss",
    "(c)(2)": "It can be shown that data was not changed",
    "(d)": "Whoever asks for access is who he says",
    "(e)(1)": "Transmission security: nobody unauthorised reads data on the way",
    "(e)(2)(i)": "Data on the way cannot be changed unnoticed",
    "(e)(2)(ii)": "Data on the way is encrypted",
}
_NIST = {
    "AC-3": "Access enforcement",
    "AC-4": "Information flow enforcement",
    "AC-7": "Unsuccessful log-on attempts",
    "AC-17": "Remote access",
    "AC-17(2)": "Remote access by encrypted sessions",
    "AU-2": "Event logging",
    "AU-3": "Content of audit records",
    "AU-4": "Audit log storage, and transfer elsewhere",
    "AU-6": "Audit record review, analysis and reporting",
    "AU-8": "Time stamps",
    "AU-9": "Protection of audit information",
    "AU-12": "Audit record generation",
    "CM-6": "Configuration settings",
    "CM-7": "Least functionality",
    "IA-2": "Identification and authentication of users",
    "IA-2(1)": "More than one factor for privileged accounts",
    "IA-3": "Identification and authentication of devices",
    "IA-5": "Management of authenticators",
    "IA-5(1)": "Passwords as authenticators",
    "SC-5": "Protection from denial of service",
    "SC-7": "Boundary protection",
    "SC-7(5)": "Denied by default, allowed by exception",
    "SC-8": "Confidentiality and integrity of what is transmitted",
    "SC-13": "Cryptographic protection",
    "SC-20": "Name resolution from an authoritative source",
    "SC-23": "Authenticity of sessions",
    "SI-3": "Protection from malicious code",
    "SI-4": "Monitoring of the system",
}
CLAUSES: dict[str, str] = {
    **{f"{PCI} {key}": title for key, title in _PCI.items()},
    **{f"{HIPAA} 164.312{key}": title for key, title in _HIPAA.items()},
    **{f"{NIST} {key}": title for key, title in _NIST.items()},
}
"""Clause to what it asks, in the publications' order."""


def find_unknown(clauses: Iterable[str]) -> tuple[str, ...]:
    """Return those of the clauses that are not in the table."""
    return tuple(clause for clause in clauses if clause not in CLAUSES)
