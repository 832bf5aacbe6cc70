//! A connection that ends itself when what is written makes no way: to who doesn't read, or went away without a word.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};

/// A write that makes no way for this long ends its connection.
const WRITE_PATIENCE: Duration = Duration::from_secs(10);
/// What was sent and is not acknowledged within this time went to nobody.
#[cfg(any(target_os = "linux", target_os = "android"))]
const UNHEARD: Duration = Duration::from_secs(15);
/// What may wait in the system for one connection. Left to itself it grows to megabytes for each that doesn't read.
const SEND_BUFFER: usize = 128 << 10;

/// Sets a connection up so that one who vanished is noticed.
pub fn set_up(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let socket = SockRef::from(stream);
    socket.set_send_buffer_size(SEND_BUFFER)?;
    let alive = TcpKeepalive::new().with_time(Duration::from_secs(10)).with_interval(Duration::from_secs(5));
    socket.set_tcp_keepalive(&alive)?;
    // Elsewhere the patience of writes has to do: it begins when the buffer is full.
    #[cfg(any(target_os = "linux", target_os = "android"))]
    socket.set_tcp_user_timeout(Some(UNHEARD))?;
    Ok(())
}

/// A stream whose writes have a deadline.
#[derive(Debug)]
pub struct Timed<S> {
    stream: S,
    patience: Duration,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Timed<S> {
    pub fn new(stream: S) -> Timed<S> {
        Timed { stream, patience: WRITE_PATIENCE, waiting: None }
    }

    /// What came of a write, or that it waited too long.
    fn timed<T>(&mut self, cx: &mut Context<'_>, came: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if came.is_ready() {
            self.waiting = None;
            return came;
        }
        let patience = self.patience;
        let waiting = self.waiting.get_or_insert_with(|| Box::pin(sleep(patience)));
        match waiting.as_mut().poll(cx) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Timed<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Timed<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let came = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.timed(cx, came)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let came = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.timed(cx, came)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        // A flush with nothing on its way is no sign that a write went through.
        match Pin::new(&mut self.stream).poll_flush(cx) {
            Poll::Pending => self.timed(cx, Poll::Pending),
            ready => ready,
        }
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let came = Pin::new(&mut self.stream).poll_shutdown(cx);
        self.timed(cx, came)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    #[tokio::test]
    async fn a_write_that_makes_no_way_ends_and_one_that_makes_some_goes_on() {
        let (mut reader, writer) = tokio::io::duplex(64);
        let patience = Duration::from_secs(2);
        let mut writer = Timed { patience, ..Timed::new(writer) };
        let slowly = tokio::spawn(async move {
            let mut byte = [0];
            for _ in 0..20 {
                sleep(patience / 15).await;
                reader.read_exact(&mut byte).await.unwrap();
            }
            reader
        });
        // Longer than its patience in all, and never so long for one byte.
        writer.write_all(&[1; 84]).await.unwrap();
        let _still_open = slowly.await.unwrap();
        let fault = writer.write_all(&[2; 200]).await.unwrap_err();
        assert_eq!(fault.kind(), io::ErrorKind::TimedOut);
    }
}
