// A page of the guide: its search and the way back.

document.getElementById('find').addEventListener('submit', (event) => {
  event.preventDefault();
  location.assign(`/guide?q=${encodeURIComponent(document.getElementById('q').value)}`);
});
// Opened from the rig's page, which stands behind this one as it was left.
document.getElementById('back').addEventListener('click', (event) => {
  if (!window.opener || window.opener.closed) return;
  event.preventDefault();
  window.close();
});
