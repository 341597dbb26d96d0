//! Mail over SMTP, and how links reach people.

use lettre::message::header::{ContentType, Header, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, Message, MultiPart, SinglePart};
use lettre::transport::smtp::AsyncSmtpTransport;
use lettre::transport::smtp::authentication::Credentials;
use lettre::{Address, AsyncTransport, Tokio1Executor};
use std::error::Error;
use std::str::FromStr;

/// Whether the way to the mail server is encrypted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Encryption {
    /// It begins in the clear and has to go over to TLS (RFC 3207).
    #[default]
    Starttls,
    /// TLS from the first byte (RFC 8314).
    Tls,
    /// Never: for a mail server on this machine.
    None,
}

impl Encryption {
    /// The port that such a server usually listens at: RFC 6409, RFC 8314, RFC 5321.
    fn usual_port(self) -> u16 {
        match self {
            Self::Starttls => 587,
            Self::Tls => 465,
            Self::None => 25,
        }
    }
}

/// How to reach the mail server.
#[derive(Debug, Clone)]
pub struct MailSettings {
    /// Its name.
    pub host: String,
    /// Its port; the usual one when left out.
    pub port: Option<u16>,
    /// User and password, if it wants them.
    pub sign_in: Option<(String, String)>,
    /// The address that mails come from.
    pub from: String,
    /// Whether the way there is encrypted.
    pub encryption: Encryption,
}

/// Why the mail settings can't be used.
#[derive(Debug, thiserror::Error)]
pub enum MailError {
    /// The sender's address.
    #[error("mail-from: give an e-mail address such as weirbook@example.com")]
    From(#[source] lettre::address::AddressError),
    /// The server's name, or what is needed for TLS.
    #[error("smtp-host: the mail server can't be used")]
    Server(#[source] lettre::transport::smtp::Error),
}

/// Why a letter was not sent.
#[derive(Debug, thiserror::Error)]
pub enum SendError {
    /// The server can't be reached, or wants to be asked later.
    #[error("the mail server did not take it: {0}")]
    Later(#[source] lettre::transport::smtp::Error),
    /// The server refuses it for good.
    #[error("the mail server refuses it: {0}")]
    Never(#[source] lettre::transport::smtp::Error),
    /// The address or the letter itself can't be sent.
    #[error("it can't be written as a mail: {0}")]
    Unwritable(String),
}

impl SendError {
    /// Whether trying again is of no use.
    #[must_use]
    pub fn is_hopeless(&self) -> bool {
        !matches!(self, Self::Later(_))
    }
}

/// A letter to one person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Letter {
    /// Names it for ever: a mail server that gets it twice can tell.
    pub id: String,
    /// In whose name it is sent.
    pub sender: String,
    /// To whom.
    pub to: String,
    /// About what.
    pub subject: String,
    /// What it says, in plain text.
    pub text: String,
    /// The same with what goes with it; none for a plain letter.
    pub more: Option<More>,
}

/// What a letter has beside its text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct More {
    /// What it says, as HTML; none where the text is all.
    pub html: Option<String>,
    /// What is attached.
    pub document: Attached,
    /// Where its reader wants no more, by one POST (RFC 8058).
    pub unsubscribe: String,
}

/// What is attached to a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attached {
    /// Its file name.
    pub name: String,
    /// Its media type.
    pub media: &'static str,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// `List-Unsubscribe` of RFC 2369.
#[derive(Debug, Clone)]
struct ListUnsubscribe(String);

/// `List-Unsubscribe-Post` of RFC 8058.
#[derive(Debug, Clone)]
struct ListUnsubscribePost;

impl Header for ListUnsubscribe {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("List-Unsubscribe")
    }

    fn parse(text: &str) -> Result<Self, Box<dyn Error + Send + Sync>> {
        Ok(Self(text.trim_matches(['<', '>']).to_owned()))
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), format!("<{}>", self.0))
    }
}

impl Header for ListUnsubscribePost {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("List-Unsubscribe-Post")
    }

    fn parse(_text: &str) -> Result<Self, Box<dyn Error + Send + Sync>> {
        Ok(Self)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "List-Unsubscribe=One-Click".to_owned())
    }
}

/// Sends letters.
#[derive(Clone)]
pub struct Mailer {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    from: Address,
}

impl Mailer {
    /// A mailer with these settings; nothing is sent yet.
    ///
    /// # Errors
    /// When they can't be used.
    pub fn new(settings: &MailSettings) -> Result<Self, MailError> {
        type Transport = AsyncSmtpTransport<Tokio1Executor>;
        let from = Address::from_str(&settings.from).map_err(MailError::From)?;
        let way = match settings.encryption {
            Encryption::Starttls => Transport::starttls_relay(&settings.host).map_err(MailError::Server)?,
            Encryption::Tls => Transport::relay(&settings.host).map_err(MailError::Server)?,
            Encryption::None => Transport::builder_dangerous(&settings.host),
        };
        let mut way = way.port(settings.port.unwrap_or_else(|| settings.encryption.usual_port()));
        if let Some((user, password)) = settings.sign_in.clone() {
            way = way.credentials(Credentials::new(user, password));
        }
        Ok(Self { transport: way.build(), from })
    }

    /// Sends a letter.
    ///
    /// # Errors
    /// When the server did not take it.
    pub async fn send(&self, letter: &Letter) -> Result<(), SendError> {
        let message = self.message(letter)?;
        let sent = self.transport.send(message).await;
        sent.map(drop)
            .map_err(|error| if error.is_permanent() { SendError::Never(error) } else { SendError::Later(error) })
    }

    fn message(&self, letter: &Letter) -> Result<Message, SendError> {
        let unwritable = |error: &dyn std::fmt::Display| SendError::Unwritable(error.to_string());
        let to = Address::from_str(&letter.to).map_err(|error| unwritable(&error))?;
        let builder = Message::builder()
            .message_id(Some(format!("<{}@{}>", letter.id, self.from.domain())))
            .from(Mailbox::new(Some(letter.sender.clone()), self.from.clone()))
            .to(Mailbox::new(None, to))
            .subject(letter.subject.clone());
        let Some(more) = &letter.more else {
            let plain = builder.header(ContentType::TEXT_PLAIN).body(letter.text.clone());
            return plain.map_err(|error| unwritable(&error));
        };
        let Attached { name, media, bytes } = more.document.clone();
        let media = ContentType::parse(media).map_err(|error| unwritable(&error))?;
        let text = letter.text.clone();
        let said = match &more.html {
            Some(html) => MultiPart::mixed().multipart(MultiPart::alternative_plain_html(text, html.clone())),
            None => MultiPart::mixed().singlepart(SinglePart::plain(text)),
        };
        builder
            .header(ListUnsubscribe(more.unsubscribe.clone()))
            .header(ListUnsubscribePost)
            .multipart(said.singlepart(Attachment::new(name).body(bytes, media)))
            .map_err(|error| unwritable(&error))
    }
}

/// How links reach people: by mail where a mail server is set, and at which address.
#[derive(Clone)]
pub struct Post {
    /// The mail server, if one is set.
    pub mailer: Option<Mailer>,
    /// Where people reach the service, without a slash at its end.
    pub public_url: String,
}

impl Post {
    /// Links begin with `public_url`.
    #[must_use]
    pub fn new(mailer: Option<Mailer>, public_url: &str) -> Self {
        Self { mailer, public_url: public_url.trim_end_matches('/').to_owned() }
    }

    /// The address that a link's token opens.
    #[must_use]
    pub fn reading_link(&self, token: &crate::auth::LinkToken) -> String {
        format!("{}/read/{}", self.public_url, token.text())
    }

    /// The address at which whoever holds a token wants no more of what came with it.
    #[must_use]
    pub fn unsubscribe_link(&self, token: &crate::auth::LinkToken) -> String {
        format!("{}/unsubscribe/{}", self.public_url, token.text())
    }

    /// The address of the page that says what the API's fields mean.
    #[must_use]
    pub fn document_link(&self) -> String {
        format!("{}/docs/", self.public_url)
    }

    /// The address of a report.
    #[must_use]
    pub fn report_link(&self, report: domain::ids::ReportId) -> String {
        format!("{}/savings-reports/{report}", self.public_url)
    }

    /// The address that an inspector's token opens.
    #[must_use]
    pub fn discharge_link(&self, token: &crate::auth::LinkToken) -> String {
        format!("{}/discharge/{}", self.public_url, token.text())
    }

    /// The address at which an invitation is accepted.
    #[must_use]
    pub fn invitation_link(&self, token: &crate::auth::LinkToken) -> String {
        format!("{}/invitation/{}", self.public_url, token.text())
    }

    /// The address at which a forgotten password is set anew.
    #[must_use]
    pub fn reset_link(&self, secret: &str) -> String {
        format!("{}/reset/{secret}", self.public_url)
    }
}
