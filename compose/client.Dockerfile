# A client on one LAN port: DHCP, and the probes of the acceptance (DEVELOPERS.md, "Probes").
FROM branchproof/base:bench

RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends python3-paramiko udhcpc wpasupplicant \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/*

COPY opt/ /opt/branchproof/
RUN python3 -m compileall -q -f --invalidation-mode unchecked-hash /opt/branchproof
CMD ["python3", "-m", "emulators.client.main"]
