import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.ValueSetOperationProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.jpa.test.config.TestR4Config;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.Server;
import org.eclipse.jetty.server.ServerConnector;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;

/** A HAPI FHIR JPA server (R4, H2 in memory) on loopback; the port is the argument. Says "ready" once it listens. */
public class FhirServer {
  public static void main(String[] arguments) throws Exception {
    var beans = new AnnotationConfigApplicationContext(TestR4Config.class);
    var server = new RestfulServer(beans.getBean(FhirContext.class));
    server.registerProviders(beans.getBean("myResourceProvidersR4", ResourceProviderFactory.class).createProviders());
    server.registerProvider(beans.getBean("mySystemProviderR4"));
    server.registerProvider(beans.getBean(ValueSetOperationProvider.class));
    server.setServerConformanceProvider(
        new JpaCapabilityStatementProvider(
            server,
            beans.getBean("mySystemDaoR4", IFhirSystemDao.class),
            beans.getBean(JpaStorageSettings.class),
            beans.getBean(ISearchParamRegistry.class),
            beans.getBean(IValidationSupport.class)));
    server.setPagingProvider(beans.getBean(DatabaseBackedPagingProvider.class));
    var handler = new ServletContextHandler();
    handler.setContextPath("/");
    handler.addServlet(new ServletHolder(server), "/fhir/*");
    var jetty = new Server();
    var connector = new ServerConnector(jetty);
    connector.setHost("127.0.0.1");
    connector.setPort(Integer.parseInt(arguments[0]));
    jetty.addConnector(connector);
    jetty.setHandler(handler);
    jetty.start();
    System.out.println("ready");
  }
}
