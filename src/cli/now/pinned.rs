//! TLS to a daemon on this machine: its certificate is the one in its own file, whatever name it is for
//! and whoever signed it.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context as _, Result, anyhow};
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, Error, SignatureScheme};

/// Believes one certificate.
#[derive(Debug)]
struct Pinned {
    certificate: CertificateDer<'static>,
    provider: Arc<CryptoProvider>,
}

/// A client that believes the certificate of that file.
///
/// # Errors
/// There is no certificate in it.
pub(super) fn config(file: &Path) -> Result<ClientConfig> {
    let shown = file.display();
    let mut found = CertificateDer::pem_file_iter(file).with_context(|| format!("cannot read {shown}"))?;
    let certificate = found.next().ok_or_else(|| anyhow!("there is no certificate in {shown}"))?;
    let certificate = certificate.with_context(|| format!("{shown} is no PEM file"))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = Arc::new(Pinned { certificate, provider: Arc::clone(&provider) });
    Ok(ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .dangerous()
        .with_custom_certificate_verifier(verifier)
        .with_no_client_auth())
}

impl ServerCertVerifier for Pinned {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        if *end_entity == self.certificate {
            return Ok(ServerCertVerified::assertion());
        }
        Err(Error::General(
            "the daemon shows another certificate than its file holds; SIGHUP has it read again".into(),
        ))
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}
