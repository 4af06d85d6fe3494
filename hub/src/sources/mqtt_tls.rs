//! TLS to an MQTT broker: rustls with ring, the system's certificates or the team's own.

use anyhow::{Context, bail};
use rumqttc::{TlsConfiguration, Transport};
use rustls::{
    ClientConfig, RootCertStore,
    crypto::ring,
    pki_types::{CertificateDer, pem::PemObject},
};
use std::{path::Path, sync::Arc};

/// A transport that trusts the certificates in that file, or the system's.
pub(super) fn transport(ca: Option<&Path>) -> anyhow::Result<Transport> {
    let mut roots = RootCertStore::empty();
    match ca {
        Some(file) => {
            let name = super::playback::shown(file);
            let certificates = CertificateDer::pem_file_iter(file)
                .with_context(|| format!("cannot read the certificates in {name}"))?;
            for certificate in certificates {
                roots
                    .add(
                        certificate
                            .with_context(|| format!("cannot read a certificate in {name}"))?,
                    )
                    .with_context(|| format!("a certificate in {name} is of no use"))?;
            }
            if roots.is_empty() {
                bail!("{name} holds no certificate (PEM)");
            }
        }
        None => {
            let found = rustls_native_certs::load_native_certs();
            roots.add_parsable_certificates(found.certs);
            if roots.is_empty() {
                bail!("this system has no certificates to trust; give the broker's with ca=FILE");
            }
        }
    }
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .context("TLS")?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Transport::tls_with_config(TlsConfiguration::Rustls(
        Arc::new(config),
    )))
}
