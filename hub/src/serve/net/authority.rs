//! The hub's own certificate authority, and the certificate that it gives itself.
//!
//! The authority is made once and kept in the data directory, its key for this user only. It is held to names and addresses that
//! exist on a local network only (name constraints, RFC 5280 section 4.2.1.10), so that a phone that trusts it trusts it for
//! nothing else: whoever steals the key can play the hub, not a bank. The hub's certificate is made anew at each start, and while it
//! runs when its addresses change or its time is up; its key is never written down.

use super::super::door::write_private;
use anyhow::Context;
use if_addrs::get_if_addrs;
use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DistinguishedName, DnType,
    ExtendedKeyUsagePurpose, GeneralSubtree, IsCa, Issuer, KeyPair, KeyUsagePurpose,
    NameConstraints, PublicKeyData, SanType,
};
use ring::digest::{SHA256, digest};
use rustls::{
    ServerConfig,
    crypto::ring as provider,
    pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer, pem::PemObject},
    server::{ClientHello, ResolvesServerCert},
    sign::CertifiedKey,
};
use std::{
    fs,
    net::{IpAddr, Ipv4Addr, Ipv6Addr},
    path::Path,
    sync::{Arc, PoisonError, RwLock},
    time::Duration,
};
use time::OffsetDateTime;
use tokio::sync::watch;

/// Where it is kept, in the data directory.
pub const FOLDER: &str = "tls";
/// The authority's certificate there, and its key.
pub const CERTIFICATE: &str = "authority.crt";
const KEY: &str = "authority.key";
/// How long the authority is good for, in days: trusting it anew on every phone is work.
const AUTHORITY_DAYS: i64 = 10 * 365;
/// How long a certificate is: phones take none that is good for longer than 825 days, even from an authority of one's own.
const CERTIFICATE_DAYS: i64 = 397;
/// How far back both begin, in days: laptops and phones without internet disagree about the time.
const BACK_DAYS: i64 = 2;
/// How long before its end another is made, in days: longer than phones and laptop disagree about the time.
const BEFORE_ITS_END_DAYS: i64 = 30;
/// How often the laptop's addresses, and its date, are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(15);

/// Networks whose addresses the authority may speak for: private (RFC 1918, RFC 4193), shared (RFC 6598), link-local (RFC 3927,
/// RFC 4291) and the machine itself.
const NETWORKS: [(IpAddr, u8); 9] = [
    (IpAddr::V4(Ipv4Addr::new(10, 0, 0, 0)), 8),
    (IpAddr::V4(Ipv4Addr::new(172, 16, 0, 0)), 12),
    (IpAddr::V4(Ipv4Addr::new(192, 168, 0, 0)), 16),
    (IpAddr::V4(Ipv4Addr::new(100, 64, 0, 0)), 10),
    (IpAddr::V4(Ipv4Addr::new(169, 254, 0, 0)), 16),
    (IpAddr::V4(Ipv4Addr::new(127, 0, 0, 0)), 8),
    (IpAddr::V6(Ipv6Addr::new(0xfc00, 0, 0, 0, 0, 0, 0, 0)), 7),
    (IpAddr::V6(Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 0)), 10),
    (IpAddr::V6(Ipv6Addr::LOCALHOST), 128),
];

/// The authority.
pub struct Authority {
    issuer: Issuer<'static, KeyPair>,
    certificate: CertificateDer<'static>,
    names: Vec<String>,
    listen: IpAddr,
}

impl Authority {
    /// Opens the one that is kept in a data directory, or makes it. `names` are those of `--host-name`.
    ///
    /// # Errors
    /// When it can be neither read nor made; also when others may read its key.
    pub fn open(data: &Path, listen: IpAddr, names: &[String]) -> anyhow::Result<Self> {
        let folder = data.join(FOLDER);
        fs::create_dir_all(&folder).with_context(|| format!("no {}", folder.display()))?;
        let (crt, key) = (folder.join(CERTIFICATE), folder.join(KEY));
        if !key.exists() || !crt.exists() {
            let pair = KeyPair::generate()?;
            let made = params(&pair, names).self_signed(&pair)?;
            write_private(&key, pair.serialize_pem().as_bytes())?;
            write_private(&crt, made.pem().as_bytes())?;
            tracing::warn!(
                "made a certificate authority of this hub's own in {}",
                folder.display()
            );
        }
        only_ours(&key)?;
        let read = |path: &Path| {
            fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))
        };
        let pair = KeyPair::from_pem(&read(&key)?).context("the authority's key is damaged")?;
        let pem = read(&crt)?;
        let certificate = CertificateDer::from_pem_slice(pem.as_bytes())
            .map_err(|error| anyhow::anyhow!("the authority's certificate is damaged: {error}"))?;
        let issuer = Issuer::new(params(&pair, names), pair);
        Ok(Self {
            issuer,
            certificate,
            names: names.to_vec(),
            listen,
        })
    }

    /// Its certificate, as phones take it (DER).
    pub fn der(&self) -> &[u8] {
        &self.certificate
    }

    /// SHA-256 of its certificate, as phones show it.
    pub fn fingerprint(&self) -> String {
        let hash = digest(&SHA256, &self.certificate);
        let pairs: Vec<String> = hash
            .as_ref()
            .iter()
            .map(|byte| format!("{byte:02X}"))
            .collect();
        pairs.join(":")
    }

    fn addresses(&self) -> Vec<IpAddr> {
        let mut list = vec![
            IpAddr::V4(Ipv4Addr::LOCALHOST),
            IpAddr::V6(Ipv6Addr::LOCALHOST),
        ];
        if self.listen.is_unspecified() {
            list.extend(
                get_if_addrs()
                    .unwrap_or_default()
                    .iter()
                    .map(|found| found.ip()),
            );
        } else {
            list.push(self.listen);
        }
        list.sort();
        list.dedup();
        list.retain(|ip| {
            let local = is_local(*ip);
            if !local {
                tracing::debug!(
                    "{ip} is no local address; the hub's authority does not speak for it"
                );
            }
            local
        });
        list
    }

    fn issue(&self, addresses: &[IpAddr]) -> anyhow::Result<CertifiedKey> {
        let pair = KeyPair::generate()?;
        let mut names = vec!["localhost".to_owned(), "spinover.local".to_owned()];
        names.extend(self.names.iter().cloned());
        let mut params = CertificateParams::new(names)?;
        params
            .subject_alt_names
            .extend(addresses.iter().map(|ip| SanType::IpAddress(*ip)));
        params.distinguished_name = name("Spinover hub");
        (params.not_before, params.not_after) = span(CERTIFICATE_DAYS);
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.use_authority_key_identifier_extension = true;
        let made = params.signed_by(&pair, &self.issuer)?;
        let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(pair.serialize_der()));
        Ok(CertifiedKey::new(
            vec![made.der().clone(), self.certificate.clone()],
            provider::sign::any_ecdsa_type(&key)?,
        ))
    }

    /// How the hub shakes hands, and what renews its certificate for as long as it runs.
    ///
    /// # Errors
    /// When no certificate can be made.
    pub fn serve(self, stop: watch::Receiver<bool>) -> anyhow::Result<Arc<ServerConfig>> {
        let addresses = self.addresses();
        if !self.listen.is_unspecified() && !is_local(self.listen) {
            tracing::warn!(
                "{} is no local address, and the hub's authority does not speak for it: phones will refuse it",
                self.listen
            );
        }
        let current = Arc::new(Current(RwLock::new(Arc::new(self.issue(&addresses)?))));
        let mut config =
            ServerConfig::builder_with_provider(Arc::new(provider::default_provider()))
                .with_safe_default_protocol_versions()?
                .with_no_client_auth()
                .with_cert_resolver(current.clone());
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        tokio::spawn(self.renew(current, addresses, stop));
        Ok(Arc::new(config))
    }

    async fn renew(
        self,
        current: Arc<Current>,
        mut known: Vec<IpAddr>,
        mut stop: watch::Receiver<bool>,
    ) {
        let mut made_at = OffsetDateTime::now_utc();
        loop {
            tokio::select! {
                () = super::super::stopped(&mut stop) => return,
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
            let (addresses, now) = (self.addresses(), OffsetDateTime::now_utc());
            if addresses == known && !is_due(made_at, now) {
                continue;
            }
            match self.issue(&addresses) {
                Ok(made) => {
                    tracing::info!(
                        "the laptop's addresses have changed, or its date; a new certificate for {addresses:?}"
                    );
                    *current.0.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(made);
                    (known, made_at) = (addresses, now);
                }
                Err(error) => tracing::error!("no new certificate could be made: {error}"),
            }
        }
    }
}

/// Whether a certificate made then is to be made again: near its end, or before its beginning, as on a laptop that has no clock of its
/// own and is told the date after the hub has started.
fn is_due(made_at: OffsetDateTime, now: OffsetDateTime) -> bool {
    let good_for = CERTIFICATE_DAYS - BACK_DAYS - BEFORE_ITS_END_DAYS;
    let age = now - made_at;
    age > time::Duration::days(good_for) || age < -time::Duration::days(BACK_DAYS - 1)
}

/// The certificate that is shown now.
#[derive(Debug)]
struct Current(RwLock<Arc<CertifiedKey>>);

impl ResolvesServerCert for Current {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(
            self.0
                .read()
                .unwrap_or_else(PoisonError::into_inner)
                .clone(),
        )
    }
}

/// What the authority's certificate says. Made again from the key at each start, it names the same authority.
fn params(pair: &KeyPair, names: &[String]) -> CertificateParams {
    let mut params = CertificateParams::default();
    let id = digest(&SHA256, pair.der_bytes());
    let id: String = id
        .as_ref()
        .iter()
        .take(3)
        .map(|byte| format!("{byte:02x}"))
        .collect();
    params.distinguished_name = name(&format!("Spinover pit {id}"));
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    (params.not_before, params.not_after) = span(AUTHORITY_DAYS);
    let mut permitted: Vec<GeneralSubtree> = ["localhost", "local"]
        .into_iter()
        .map(str::to_owned)
        .chain(names.iter().cloned())
        .map(GeneralSubtree::DnsName)
        .collect();
    permitted.extend(
        NETWORKS
            .iter()
            .map(|(ip, bits)| GeneralSubtree::IpAddress(CidrSubnet::from_addr_prefix(*ip, *bits))),
    );
    params.name_constraints = Some(NameConstraints {
        permitted_subtrees: permitted,
        excluded_subtrees: Vec::new(),
    });
    params
}

fn name(common: &str) -> DistinguishedName {
    let mut name = DistinguishedName::new();
    name.push(DnType::CommonName, common);
    name
}

fn span(days: i64) -> (OffsetDateTime, OffsetDateTime) {
    let now = OffsetDateTime::now_utc();
    (
        now - time::Duration::days(BACK_DAYS),
        now + time::Duration::days(days - BACK_DAYS),
    )
}

fn is_local(ip: IpAddr) -> bool {
    NETWORKS.iter().any(|(network, bits)| match (network, ip) {
        (IpAddr::V4(network), IpAddr::V4(ip)) => {
            (network.to_bits() ^ ip.to_bits()) >> (32 - bits) == 0
        }
        (IpAddr::V6(network), IpAddr::V6(ip)) => {
            (network.to_bits() ^ ip.to_bits()) >> (128 - bits) == 0
        }
        _ => false,
    })
}

/// Refuses a key that others may read: it may have been.
#[cfg(unix)]
fn only_ours(key: &Path) -> anyhow::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(key)?.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        anyhow::bail!(
            "others may read {} (mode {mode:o}): `chmod 600` it if nobody has, else delete the folder and have phones trust a new one",
            key.display()
        );
    }
    Ok(())
}

#[cfg(not(unix))]
fn only_ours(_: &Path) -> anyhow::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_due_near_its_end_and_before_its_beginning() {
        let made_at = OffsetDateTime::UNIX_EPOCH + time::Duration::days(20_000);
        let due = |days| is_due(made_at, made_at + time::Duration::days(days));
        assert_eq!(
            [-400, -2, -1, 0, 1, 364, 365, 366, 20_000].map(due),
            [true, true, false, false, false, false, false, true, true]
        );
    }

    #[test]
    fn local_addresses_and_others() {
        for ip in [
            "10.1.2.3",
            "172.31.0.1",
            "192.168.4.1",
            "100.100.1.1",
            "169.254.3.4",
            "127.0.0.1",
            "fd00::1",
            "fe80::1",
            "::1",
        ] {
            assert!(is_local(ip.parse().unwrap()), "{ip}");
        }
        for ip in ["8.8.8.8", "172.32.0.1", "192.169.0.1", "2001:db8::1", "::2"] {
            assert!(!is_local(ip.parse().unwrap()), "{ip}");
        }
    }

    /// What rustls, which is not ours, says to a certificate for that name from a stolen key.
    fn believed(authority: &Authority, name: &str) -> bool {
        let pair = KeyPair::generate().unwrap();
        let params = CertificateParams::new(vec![name.to_owned()]).unwrap();
        let made = params.signed_by(&pair, &authority.issuer).unwrap();
        let mut roots = rustls::RootCertStore::empty();
        roots.add(authority.certificate.clone()).unwrap();
        let provider = Arc::new(provider::default_provider());
        let verifier =
            rustls::client::WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider)
                .build()
                .unwrap();
        let name = name.to_owned().try_into().unwrap();
        let now = rustls::pki_types::UnixTime::now();
        rustls::client::danger::ServerCertVerifier::verify_server_cert(
            &*verifier,
            made.der(),
            &[],
            &name,
            &[],
            now,
        )
        .is_ok()
    }

    #[test]
    fn a_stolen_authority_speaks_for_the_pit_only() {
        let data = tempfile::tempdir().unwrap();
        let names = ["pit-laptop.lan".to_owned()];
        let authority = Authority::open(data.path(), Ipv4Addr::LOCALHOST.into(), &names).unwrap();
        for name in [
            "spinover.local",
            "localhost",
            "pit-laptop.lan",
            "192.168.4.1",
            "10.1.1.1",
            "fd00::7",
        ] {
            assert!(believed(&authority, name), "{name}");
        }
        for name in [
            "bank.example",
            "local.example",
            "lan",
            "8.8.8.8",
            "2001:db8::1",
        ] {
            assert!(!believed(&authority, name), "{name}");
        }
        // Opened again, it goes on as the same one.
        let again = Authority::open(data.path(), Ipv4Addr::LOCALHOST.into(), &names).unwrap();
        assert_eq!(again.fingerprint(), authority.fingerprint());
        assert!(believed(&again, "spinover.local"));
    }
}
