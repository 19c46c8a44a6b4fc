// Shows what the page has to say while it is out of sight: a browser on a phone shows it by a worker alone.

addEventListener('notificationclick', (event) => {
  event.notification.close();
  event.waitUntil(clients.matchAll({ type: 'window', includeUncontrolled: true }).then(([page]) => page ? page.focus() : clients.openWindow('/')));
});
