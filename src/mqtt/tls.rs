//! TLS by rustls: who vouches for the broker, and what this client shows.

use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

use super::{BadOptions, Tls};

/// Everything is read here, at start, so that a wrong file is an error of the settings and not of
/// each attempt to connect.
pub(super) fn config(tls: &Tls) -> Result<Arc<ClientConfig>, BadOptions> {
    // The one provider of the process. Whoever comes first installs it; a second time is no error.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let builder = ClientConfig::builder().with_root_certificates(roots(tls)?);
    let config = match &tls.identity {
        None => builder.with_no_client_auth(),
        Some(identity) => {
            let chain = certificates(&identity.certificate, "client certificate")?;
            let key = PrivateKeyDer::from_pem_slice(&identity.key)
                .map_err(|why| BadOptions::Key(why.to_string()))?;
            builder.with_client_auth_cert(chain, key).map_err(|why| BadOptions::Key(why.to_string()))?
        }
    };
    Ok(Arc::new(config))
}

fn roots(tls: &Tls) -> Result<RootCertStore, BadOptions> {
    let mut roots = RootCertStore::empty();
    let Some(pem) = &tls.ca else {
        let found = rustls_native_certs::load_native_certs();
        roots.add_parsable_certificates(found.certs);
        if roots.is_empty() {
            let why = found.errors.first().map_or("there are none".into(), ToString::to_string);
            return Err(BadOptions::SystemRoots(why));
        }
        return Ok(roots);
    };
    let what = "CA file";
    for certificate in certificates(pem, what)? {
        roots.add(certificate).map_err(|why| BadOptions::Certificate { what, why: why.to_string() })?;
    }
    Ok(roots)
}

fn certificates(pem: &[u8], what: &'static str) -> Result<Vec<CertificateDer<'static>>, BadOptions> {
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    let found = found.map_err(|why| BadOptions::Certificate { what, why: why.to_string() })?;
    if found.is_empty() {
        return Err(BadOptions::Certificate { what, why: "there is no certificate in it".into() });
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mqtt::Identity;

    fn why(ca: Option<&[u8]>, identity: Option<(&[u8], &[u8])>) -> String {
        let identity =
            identity.map(|(certificate, key)| Identity { certificate: certificate.into(), key: key.into() });
        config(&Tls { ca: ca.map(Into::into), identity }).expect_err("these files are wrong").to_string()
    }

    #[test]
    fn a_wrong_file_is_named() {
        let own = rcgen::generate_simple_self_signed(["broker.test".into()]).unwrap();
        let other = rcgen::KeyPair::generate().unwrap().serialize_pem();
        let pem = own.cert.pem();
        let (pem, key) = (pem.as_bytes(), own.signing_key.serialize_pem());
        assert!(why(Some(b"not PEM"), None).contains("CA file cannot be read: there is no certificate"));
        assert!(why(Some(pem), Some((b"", key.as_bytes()))).contains("client certificate cannot be read"));
        assert!(why(Some(pem), Some((pem, pem))).contains("private key is of no use"));
        assert!(why(Some(pem), Some((pem, other.as_bytes()))).contains("private key is of no use"));
        let identity = Identity { certificate: pem.into(), key: key.into_bytes() };
        config(&Tls { ca: Some(pem.into()), identity: Some(identity) }).expect("these files are right");
    }
}
