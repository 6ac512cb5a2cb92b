//! TLS by rustls: the certificate that the API shows.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, anyhow};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio::sync::watch;

/// The certificate that connections get from now on.
pub type Tls = watch::Receiver<Arc<ServerConfig>>;

/// Reads a certificate, with those that vouch for it behind it, and its key.
///
/// # Errors
/// A file cannot be read or holds something else, or the two do not belong together.
#[expect(clippy::disallowed_methods, reason = "certificates are files")]
pub fn server_config(certificate: &Path, key: &Path) -> Result<Arc<ServerConfig>> {
    // The one provider of the process. Whoever comes first installs it; a second time is no error.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let read = |path: &Path| std::fs::read(path).with_context(|| format!("cannot read {}", path.display()));
    let chain: Vec<_> = CertificateDer::pem_slice_iter(&read(certificate)?)
        .collect::<Result<_, _>>()
        .with_context(|| format!("{} is no PEM file", certificate.display()))?;
    if chain.is_empty() {
        return Err(anyhow!("there is no certificate in {}", certificate.display()));
    }
    let private = PrivateKeyDer::from_pem_slice(&read(key)?)
        .with_context(|| format!("there is no private key in {}", key.display()))?;
    let mut config = ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(chain, private)
        .with_context(|| format!("{} is not the key of {}", key.display(), certificate.display()))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}
