//! From channels that come in to a map: what was seen, devices guessed from it, and a draft that forms fill
//! in step by step. The draft becomes the text of a map file, which the map's own rules check.

pub(super) mod draft;
mod guess;
mod text;

use futures_util::future::BoxFuture;

/// A number that comes in: by a topic of its own, or in a payload of several.
#[derive(Clone, Debug, PartialEq)]
pub struct SeenValue {
    /// Its topic.
    pub topic: String,
    /// Where it stands in the payload (RFC 6901); empty if it is the payload.
    pub pointer: String,
    /// The newest of them, the newest last.
    pub values: Vec<f64>,
    /// How many came.
    pub count: u64,
    /// How far apart they come, in seconds, once that can be told.
    pub every_s: Option<f64>,
}

/// What came in under a topic filter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// Why nothing comes in; empty while something can.
    pub trouble: String,
    /// By topic and pointer.
    pub values: Vec<SeenValue>,
    /// Topics whose payload holds no number.
    pub without_number: usize,
    /// Whether there was more than is kept.
    pub is_full: bool,
}

/// What became of a map that was to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The file's name.
    pub file: String,
    /// Where the former one is kept, beside it.
    pub former: Option<String>,
}

/// What setting up a site needs of the daemon.
pub trait SetUp: Send + Sync {
    /// What comes in under a topic filter, from the first call on. It looks for as long as somebody asks.
    ///
    /// # Errors
    /// The filter is none.
    fn look(&self, filter: &str) -> Result<Seen, String>;
    /// The text of a site's map.
    ///
    /// # Errors
    /// There is none, or it cannot be read.
    fn map(&self, site: &str) -> Result<String, String>;
    /// Writes a site's map, keeps the former one, and has the daemon read all maps again.
    ///
    /// # Errors
    /// It could not be written, or is not put to use; then all is as it was.
    fn write(&self, site: String, text: String) -> BoxFuture<'_, Result<Written, String>>;
}

impl SeenValue {
    /// Whether it is the time of a payload: called so, and of the size of a Unix time in seconds or more.
    pub(super) fn is_time(&self) -> bool {
        const CALLED: [&str; 4] = ["time", "timestamp", "ts", "at"];
        let called = self.pointer.rsplit('/').next().unwrap_or_default();
        CALLED.contains(&called) && self.values.last().is_some_and(|value| *value > 1e9)
    }
}

/// A place where a channel's value is found.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Place {
    /// The topic.
    pub(super) topic: String,
    /// The pointer; empty where the payload is the number.
    pub(super) pointer: String,
}

impl Place {
    /// As one field of a form holds it. Neither topics nor the pointers that are offered hold a tab.
    pub(super) fn key(&self) -> String {
        format!("{}\t{}", self.topic, self.pointer)
    }

    pub(super) fn of_key(key: &str) -> Option<Self> {
        let (topic, pointer) = key.split_once('\t')?;
        let is_pointer = pointer.is_empty() || pointer.starts_with('/');
        let fits = !topic.is_empty() && topic.len() <= 512 && pointer.len() <= 512 && is_pointer;
        fits.then(|| Self { topic: topic.to_owned(), pointer: pointer.to_owned() })
    }
}
